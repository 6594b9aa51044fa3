"""Ends the process groups a test started when the test itself is killed, however it is killed.

Started by `Leash`: `python leash.py`. It is told groups line by line on its standard input, which closes when
its owner dies; then it ends them, politely first. `over` lets it go without ending anybody.
"""

import contextlib
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

PATIENCE_S = 5.0  # [s] between asking and killing


class Leash:
    """Holds process groups of this process to its own life."""

    def __init__(self) -> None:
        """Start the program that waits for this process's end."""
        self._program = subprocess.Popen(
            [sys.executable, str(Path(__file__))],
            stdin=subprocess.PIPE,
            text=True,
            bufsize=1,
            start_new_session=True,
        )

    def hold(self, group: int) -> None:
        """Have a process group ended when this process dies."""
        assert self._program.stdin is not None
        self._program.stdin.write(f"{group}\n")

    def let_go(self) -> None:
        """End nobody: the owner has ended what it started itself."""
        assert self._program.stdin is not None
        self._program.stdin.write("over\n")
        self._program.stdin.close()
        self._program.wait(timeout=30)


def _send(groups: list[int], how: signal.Signals) -> None:
    for group in groups:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(group, how)


def main() -> None:
    """Wait for the owner's end and follow it up."""
    groups: list[int] = []
    for line in sys.stdin:
        if line.strip() == "over":
            return
        groups.append(int(line))
    _send(groups, signal.SIGTERM)
    threading.Event().wait(PATIENCE_S)
    _send(groups, signal.SIGKILL)


if __name__ == "__main__":
    main()
