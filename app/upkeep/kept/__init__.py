"""What is kept of people and for how long: all there is of one, erasing one, what time ends."""
