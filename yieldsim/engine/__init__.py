"""Runs many actuations: from a design and its population to tallies."""
