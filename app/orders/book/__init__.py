"""How much is taken on in a week, and who waits for their turn."""
