"""Fixtures for the probe's tests."""

from tests.rigs.fixtures import nbd_rig, rig

__all__ = ["nbd_rig", "rig"]
