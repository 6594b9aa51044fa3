"""Works out, beside a running soak, how high its floor is so far and whether it has settled past a cliff."""

import threading
import time
from types import TracebackType
from typing import Self

from ebbmark_agent.evidence import Trace, read_trace
from ebbmark_agent.probe.guard import Guard
from ebbmark_agent.probe.log import BlockLog

FIRST_LOOK_S = 5.0  # [s] into the soak
SHARE_OF_TIME = 0.05  # [1] of one processor at most, since the writer needs the interpreter too


class SoakOutlook:
    """Looks at the log from a thread of its own; a long soak is looked at less often.

    Attributes:
        settled: The present stretch has held steady past a cliff.
    """

    def __init__(self, *, log: BlockLog, guard: Guard, buffer_s: float, round_s: float) -> None:
        """Take the log to look at and the length a steady round must have [s]."""
        self._log = log
        self._guard = guard
        self._buffer_s = buffer_s
        self._round_s = round_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="probe-outlook", daemon=True)
        self._cliff_seen = False
        self.settled = False

    def __enter__(self) -> Self:
        """Begin looking."""
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop looking."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        pause_s = FIRST_LOOK_S
        while not self._stop.wait(pause_s):
            begin = time.monotonic()
            self.look()
            pause_s = max(1.0, (time.monotonic() - begin) / SHARE_OF_TIME)

    def look(self) -> None:
        """Look once at what has been written so far."""
        step_us, step_bytes = self._log.coarse_steps()
        if len(step_us) < 2 or not sum(step_us):
            return
        figures = read_trace([Trace.from_steps(step_us, step_bytes)])
        found = figures.floor(buffer_s=self._buffer_s)
        before = self._guard.floor_bytes_per_s
        self._guard.floor_bytes_per_s = (
            found.bytes_per_s if before is None or self._log.segments == 1 else min(before, found.bytes_per_s)
        )
        self._cliff_seen = self._cliff_seen or bool(figures.cliffs)
        steady = figures.steady
        self.settled = (
            self._cliff_seen
            and steady is not None
            and steady.held
            and (steady.round_s or 0.0) >= self._round_s
        )
