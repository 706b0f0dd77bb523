"""What is asked: one file a question, a function of a design and settings that returns a frozen result."""
