"""The studio's own settings: its name and contact, zone, hours, closures, ways of working."""
