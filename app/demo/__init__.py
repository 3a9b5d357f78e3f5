"""The invented studio: a history that hangs together, made in memory and written in bulk."""
