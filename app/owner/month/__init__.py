"""One month, on screen, on paper and for a spreadsheet."""
