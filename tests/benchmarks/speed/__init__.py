"""How fast it is, beside what, and at what error."""
