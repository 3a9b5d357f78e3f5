"""Customers, animals, orders and their pieces; the benches; find."""
