"""What both sites need to speak HTTP: headers, forms, templates, words, refusals."""
