"""Takes a question, gives an answer: from the terminal or from prepared answers."""
