"""One module for each question: address in, page out."""
