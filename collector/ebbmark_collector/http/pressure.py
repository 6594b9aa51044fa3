"""When more requests wait than will be answered soon, agents are told to come back, and when.

1. Only handing in reports is put off: its caller keeps the report and asks again. People are always served.
2. The wait is drawn at random, so that agents which came together do not come together again.
3. It is as long as needed for some twice as many to come as can be taken in: fewer would leave the collector
   idle, more would keep it busy with turning them away.
"""

import threading
from random import SystemRandom

from flask import Flask, current_app

from ebbmark_collector.http.operation import Operation
from ebbmark_collector.http.problems import HttpProblem

_WAITING = "EBBMARK_WAITING"
_LOOK_EVERY_S = 1.0  # [s]
_FIRST_S, _LEAST_S, _MOST_S = 5.0, 2.0, 60.0  # [s] mean waits
_COME_A_PLACE = 2.0  # [1] that many shall come for each that can be taken in
_random = SystemRandom()


def tell_waiting(app: Flask, waiting: object) -> None:
    """Let an app ask its server how many requests wait for a thread: `waiting` has that length."""
    app.config[_WAITING] = waiting


class Pressure:
    """Counts who was let in and who was turned away, and finds the wait that suits both."""

    def __init__(self, most_waiting: int) -> None:
        self._most_waiting = most_waiting
        self._lock = threading.Lock()
        self._mean_s = _FIRST_S
        self._looked_s = 0.0
        self._let_in = self._turned_away = 0

    def come_back_in_s(self, waiting: int, now_s: float) -> int | None:
        """Give after how long a request shall come again [s], or None if it may go on.

        Args:
            waiting: Requests that wait for a thread [1].
            now_s: A monotonic clock [s].
        """
        with self._lock:
            self._look(now_s)
            if waiting <= self._most_waiting:
                self._let_in += 1
                return None
            self._turned_away += 1
            return max(1, round(_random.uniform(0.0, 2.0 * self._mean_s)))

    def _look(self, now_s: float) -> None:
        if now_s - self._looked_s < _LOOK_EVERY_S:
            return
        crowd = self._turned_away / (_COME_A_PLACE * max(1, self._let_in))
        self._mean_s = min(_MOST_S, max(_LEAST_S, self._mean_s * min(4.0, max(0.5, crowd))))
        self._looked_s = now_s
        self._let_in = self._turned_away = 0

    def turn_away(self, operation: Operation, now_s: float) -> None:
        """Refuse a request for now if too many wait before those that came after it.

        Raises:
            HttpProblem: 503 with Retry-After.
        """
        waiting = current_app.config.get(_WAITING)
        if waiting is None or not operation.raw_body:
            return
        seconds = self.come_back_in_s(len(waiting), now_s)
        if seconds is not None:
            raise HttpProblem(
                503,
                f"Too many requests wait already. Nothing was taken in; send it again in {seconds} s.",
                headers={"Retry-After": str(seconds)},
            )
