"""Fixtures for the running agent."""

from tests.rigs.fixtures import rig

__all__ = ["rig"]
