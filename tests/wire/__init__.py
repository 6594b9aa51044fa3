"""Recorded documents of each wire version, which every later version has to read."""
