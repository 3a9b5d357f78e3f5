"""Blanks in batches: what waits for a machine, what is in one, and how each piece came out."""
