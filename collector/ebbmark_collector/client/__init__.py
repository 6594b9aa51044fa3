"""The admins' terminal client: the collector's API as commands, tables of 80 columns and clear sentences."""

from ebbmark_collector.client.commands import main

__all__ = ["main"]
