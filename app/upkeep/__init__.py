"""Keeping the house in order: migrations, audit, backup and restore."""
