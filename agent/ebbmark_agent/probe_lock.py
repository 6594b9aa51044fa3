"""One probe at a time on a machine: a lock that ends with its holder, however that ends."""

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from ebbmark_agent.errors import AnotherProbeRunningError, StateUnusableError


@contextlib.contextmanager
def only_probe(state_dir: Path) -> Iterator[None]:
    """Hold the machine's probe lock for the length of a block.

    Args:
        state_dir: The agent's own folder; every process that probes here shares it.

    Raises:
        AnotherProbeRunningError: Somebody else holds it.
        StateUnusableError: The folder cannot be written.
    """
    path = state_dir / "probe.lock"
    # SQLite's exclusive lock: the same on every system, and gone with the process that held it.
    try:
        connection = sqlite3.connect(path, timeout=0.0, isolation_level=None)
    except sqlite3.Error as error:
        raise StateUnusableError(path=str(path), reason=str(error)) from error
    with contextlib.closing(connection):
        try:
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise AnotherProbeRunningError from error
            raise StateUnusableError(path=str(path), reason=str(error)) from error
        yield


def probe_running(state_dir: Path) -> bool:
    """Say whether a probe holds the lock now.

    Args:
        state_dir: The agent's own folder.
    """
    if not (state_dir / "probe.lock").exists():
        return False
    try:
        with only_probe(state_dir):
            return False
    except AnotherProbeRunningError:
        return True
