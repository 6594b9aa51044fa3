"""Runs the recorder's stand-in on a stand-in drive and asks it for takes."""

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.rigs.waiting import next_line

READY_WITHIN_S = 60.0
TAKE_WITHIN_S = 120.0  # [s] far beyond any take here, held up or not


@dataclass(frozen=True, kw_only=True)
class Took:
    """How one take went."""

    frames: int
    lost: int
    longest_s: float
    began_s: float


class Recorder:
    """A recorder's stand-in in its own process."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        """Take the process."""
        self._process = process

    def begin(self, frames: int) -> None:
        """Begin a take of so many frames."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"take {frames}\n")
        self._process.stdin.flush()

    def end(self) -> Took:
        """Wait for the take's end and give how it went."""
        assert self._process.stdout is not None
        line = next_line(self._process.stdout, within_s=TAKE_WITHIN_S, what="the recorder ends its take")
        return Took(**json.loads(line))

    def take(self, frames: int) -> Took:
        """Record one take."""
        self.begin(frames)
        return self.end()


@contextlib.contextmanager
def recorder(clip: Path, *, frame_bytes: int, frames_per_s: float, buffer_s: float) -> Iterator[Recorder]:
    """Run a recorder that writes into a clip, from laying it out to its end."""
    script = Path(__file__).with_name("paced_writer.py")
    process = subprocess.Popen(
        [sys.executable, str(script), str(clip), str(frame_bytes), str(frames_per_s), str(buffer_s)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    # A recorder has its processor to itself; here it goes before whatever else the machine has to do.
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, process.pid, -15)
    try:
        assert process.stdout is not None
        next_line(process.stdout, within_s=READY_WITHIN_S, what="the recorder has laid its clip out")
        yield Recorder(process)
    finally:
        try:
            process.communicate(timeout=60)
        finally:
            process.kill()
