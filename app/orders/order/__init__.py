"""One order: its page, what the desk does to it, its history and links."""
