"""My bench: what somebody has in hand, has set aside, and takes next."""
