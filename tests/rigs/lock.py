"""One rig at a time on a machine: timing means nothing while another is being driven."""

import contextlib
import fcntl
from collections.abc import Iterator
from pathlib import Path

LOCK_FILE = Path("/tmp/ebbmark-rig.lock")


@contextlib.contextmanager
def rig_lock() -> Iterator[None]:
    """Hold the machine's rig lock; waits until it is free, and a killed holder frees it."""
    with LOCK_FILE.open("a") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        yield
