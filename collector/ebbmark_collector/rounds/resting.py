"""How a round lets requests go first: between two of its steps it rests while any wait.

1. When agents come back after an outage, each of their drives has news. What must not wait was judged as it
   came in; trend and cohort may come a little later than the reports of the next agent.
2. A rest is never longer than a moment, so a round goes on however long the crowd is.
"""

import threading
from collections.abc import Callable
from datetime import timedelta

LONGEST_S = 2.0  # [s] a rest; a step of a round takes a twentieth of it
_LOOK_EVERY_S = 0.05  # [s]


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

    def __call__(self) -> timedelta:
        """Rest until no request waits, or for a moment; give how long that was."""
        began_s = self._now_s()
        for _ in range(round(LONGEST_S / _LOOK_EVERY_S)):
            if self._waiting() == 0 or self._stopping.wait(_LOOK_EVERY_S):
                break
        return timedelta(seconds=self._now_s() - began_s)
