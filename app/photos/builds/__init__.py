"""Machines and the runs on them."""
