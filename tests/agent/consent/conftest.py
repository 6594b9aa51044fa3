"""Fixtures for consent on real disks."""

from tests.rigs.fixtures import rig

__all__ = ["rig"]
