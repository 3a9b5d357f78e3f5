"""A set's originals for the machine that builds, without where they were taken."""
