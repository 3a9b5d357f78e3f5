"""What customers say of what was made for them."""
