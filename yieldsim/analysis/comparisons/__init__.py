"""Parts of a comparison."""
