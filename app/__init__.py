"""Likewright: one room for each thing the workshop talks about (see DEVELOPERS.md)."""

__version__ = "0.2.0"
