"""Parts of an allocation."""
