"""Puts the parts made from the program into the documents: `python -m tests.docs`."""

from tests.docs.tables import write_all

write_all()
