"""News of an order and the letters made from it."""
