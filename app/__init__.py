"""Likewright: one room for each thing the workshop talks about (see DEVELOPERS.md)."""
