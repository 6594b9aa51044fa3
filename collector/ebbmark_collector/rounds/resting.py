"""How a round lets requests go first: between two of its steps it rests, longer while any wait.

1. When agents come back after an outage, each of their drives has news. What must not wait was judged as it
   came in; trend and cohort may come a little later than the reports of the next agent.
2. Where none waits for a thread, those at work still share the processor and the writer with a round: it
   takes a third of the time and leaves the rest to them.
3. A rest is never longer than a moment, so a round goes on however long the crowd is.
"""

import threading
from collections.abc import Callable
from datetime import timedelta

LONGEST_S = 2.0  # [s] that requests without a thread are waited for
TIMES = 2.0  # [1] as long as the step before
_LOOK_EVERY_S = 0.05  # [s]
_LONGEST_STEP_S = 0.2  # [s]; what lasted longer was the time between two rounds


class Rests:
    """Rests while requests wait.

    Args:
        waiting: Gives how many requests wait for a thread [1].
        now_s: A monotonic clock [s].
        stopping: Set when rounds must end: then there is no rest.
    """

    def __init__(
        self, waiting: Callable[[], int], now_s: Callable[[], float], stopping: threading.Event
    ) -> None:
        self._waiting = waiting
        self._now_s = now_s
        self._stopping = stopping
        self._ended_s = now_s()

    def __call__(self) -> timedelta:
        """Rest twice as long as the step took and until no request waits, or for a moment; give how long."""
        began_s = self._now_s()
        step_s = min(began_s - self._ended_s, _LONGEST_STEP_S)
        if step_s > 0:
            self._stopping.wait(TIMES * step_s)
        for _ in range(round(LONGEST_S / _LOOK_EVERY_S)):
            if self._waiting() == 0 or self._stopping.wait(_LOOK_EVERY_S):
                break
        self._ended_s = self._now_s()
        return timedelta(seconds=self._ended_s - began_s)
