"""Parts of a life."""
