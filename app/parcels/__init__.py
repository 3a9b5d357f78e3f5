"""Packing and handing over: may it leave, what goes together, what the carrier was given."""
