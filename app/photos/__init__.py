"""Photo sets: deliveries, the check of a set, builds and their assessment."""
