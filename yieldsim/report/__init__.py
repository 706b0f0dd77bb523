"""Shows an answer: tables, pictures, one self-contained page, and plain text for the terminal."""
