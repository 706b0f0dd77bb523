"""Parts of a sizing."""
