"""Who is drawn: the variables of a design by level and name, their addresses, correlation and point sets."""
