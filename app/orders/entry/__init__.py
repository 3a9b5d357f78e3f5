"""Taking an order in."""
