"""Parts of the rankings."""
