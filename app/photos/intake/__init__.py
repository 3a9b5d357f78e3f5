"""Deliveries: told of, brought in, given to their animals, counted."""
