"""Holds a judge against the truth: what it foresaw, where it cried wolf, how three simpler judges do."""
