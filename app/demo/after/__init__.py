"""What came after pieces had left the invented studio."""
