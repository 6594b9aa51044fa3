"""Fixtures for tests on stand-in drives; a folder's conftest imports those it wants."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.rigs.lock import rig_lock
from tests.rigs.throttle import NoThrottleError, throttled_group


@pytest.fixture
def rig() -> Iterator[None]:
    """The machine's rig lock, held; skips where this machine cannot have a throttled loop device."""
    reason = loop_rig_missing()
    if reason is not None:
        pytest.skip(reason)
    with rig_lock():
        yield


@pytest.fixture
def nbd_rig(rig: None) -> None:
    """The rig lock, held; skips where nbdkit or the user-space mount is missing."""
    for program in ("nbdkit", "nbdfuse", "fusermount3"):
        if shutil.which(program) is None:
            pytest.skip(f"the program {program} is not installed; make test installs it where it may")
    if not os.access("/dev/fuse", os.W_OK):
        pytest.skip("/dev/fuse cannot be used")


def loop_rig_missing() -> str | None:
    """Say why there can be no throttled loop device here, or None."""
    if os.geteuid() != 0:
        return "a throttled loop device needs root"
    if not Path("/dev/loop-control").exists():
        return "this kernel offers no loop devices (/dev/loop-control is missing)"
    try:
        with throttled_group():
            return None
    except NoThrottleError as error:
        return str(error)
