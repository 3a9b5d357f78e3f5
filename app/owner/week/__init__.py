"""The week ahead: what should move where, and what falls on which day."""
