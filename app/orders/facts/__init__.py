"""What is true of an order, built once for page, letter and ready text."""
