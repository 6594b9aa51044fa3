"""The command `ebbmark-agent`."""

from ebbmark_agent.cli.main import main

__all__ = ["main"]
