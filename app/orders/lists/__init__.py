"""Pages that list: orders, what waits for customers, customers, animals."""
