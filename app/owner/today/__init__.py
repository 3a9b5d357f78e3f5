"""The owner's page: the workshop today, in ten seconds."""
