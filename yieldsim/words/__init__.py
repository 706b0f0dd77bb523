"""What everything is called: quantities, errors, and the one door for delimited files."""
