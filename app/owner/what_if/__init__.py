"""What would help: changes to the floor, simulated overnight or on demand, and kept."""
