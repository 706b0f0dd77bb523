"""Parts of the worst case."""
