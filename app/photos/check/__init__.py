"""The check of a set before the long build: measures, matches, the ring, a verdict in words."""
