"""The Benches page: every piece at its bench, in its order of work."""
