"""The owner's room: lead times, the record of what was told, and what would be if."""
