"""What belongs to a piece after it has left, and what came into the house with its order."""
