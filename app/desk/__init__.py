"""The front desk: one box that finds anything, and the answer to what customers ask all day."""
