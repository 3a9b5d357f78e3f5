"""What the bench does: one piece, its moves, marks, findings, corrections."""
