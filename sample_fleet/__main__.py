"""The way in from the command line: `python -m sample_fleet`."""

from sample_fleet.cli import main

main()
