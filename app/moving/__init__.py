"""Moving pieces: what a move does, and all that it does beside."""
