"""Holds the documents to the program: every command in them runs, every command and key stands in them."""
