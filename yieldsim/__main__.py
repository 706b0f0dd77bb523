"""``python -m yieldsim`` is the command line."""

from yieldsim.cli import main

main()
