"""When more requests wait than will be answered soon, agents are told to come back, and when.

1. Only handing in reports is put off: its caller keeps the report and asks again. People are always served.
2. As many may wait as are taken in in a second, if that is more than the setting. Retry-After tells whole
   seconds, so those turned away at one instant come at one instant of their seconds: what waits from one such
   moment must last until the next.
3. Whoever is turned away gets a time of its own behind those given before, so that agents which came together
   do not come together again, and the last is not later than the crowd is long.
4. Half as many again are asked to come in a second as were taken in in one: fewer would leave the collector
   idle when some do not come, more would keep it busy with turning them away.
"""

import threading
from collections.abc import Callable
from random import SystemRandom

from flask import Flask

from ebbmark_collector.http.operation import Operation
from ebbmark_collector.http.problems import HttpProblem

_WAITING = "EBBMARK_WAITING"
_LOOK_EVERY_S = 1.0  # [s]
_FIRST_A_S, _LEAST_A_S = 100.0, 1.0  # [1/s] let in, until it is known and at the least
_WAIT_S = 1.0  # [s] of work that may wait
_FALL = 0.1  # [1] of the way down to what was let in, each second
_LEAST_S, _MOST_S = 1.0, 120.0  # [s] waits
_COME_A_PLACE = 1.5  # [1] that many shall come for each that can be taken in
_random = SystemRandom()


def tell_waiting(app: Flask, waiting: object) -> None:
    """Let an app ask its server how many requests wait for a thread: `waiting` has that length."""
    app.config[_WAITING] = waiting


def waiting_requests(app: Flask) -> int:
    """Tell how many requests wait for a thread of the server that runs an application [1]."""
    waiting = app.config.get(_WAITING)
    return 0 if waiting is None else len(waiting)


class TurnedAway(HttpProblem):
    """Too many requests wait before this one."""


class Pressure:
    """Counts who was let in, and gives times to those who were not.

    Args:
        most_waiting: Requests that may wait [1].
        waiting: Gives how many wait for a thread [1].
    """

    def __init__(self, most_waiting: int, waiting: Callable[[], int] = lambda: 0) -> None:
        self.waiting = waiting
        self._most_waiting = most_waiting
        self._lock = threading.Lock()
        self._looked_s: float | None = None
        self._let_in = self._turned_away = 0
        self._taken_in_a_s = _FIRST_A_S
        self._next_s = 0.0  # the first time not yet given

    def come_back_in_s(self, waiting: int, now_s: float) -> int | None:
        """Give after how long a request shall come again [s], or None if it may go on.

        Args:
            waiting: Requests that wait for a thread [1].
            now_s: A monotonic clock [s].
        """
        with self._lock:
            self._look(now_s)
            if waiting <= max(self._most_waiting, _WAIT_S * self._taken_in_a_s):
                self._let_in += 1
                return None
            self._turned_away += 1
            apart_s = 1.0 / (_COME_A_PLACE * self._taken_in_a_s)
            self._next_s = min(max(self._next_s, now_s + _LEAST_S) + apart_s, now_s + _MOST_S)
            return max(1, round(self._next_s - now_s + _random.uniform(-0.5, 0.5)))

    def _look(self, now_s: float) -> None:
        if self._looked_s is None:
            self._looked_s = now_s
        passed_s = now_s - self._looked_s
        if passed_s < _LOOK_EVERY_S:
            return
        if self._turned_away and passed_s < 2.0 * _LOOK_EVERY_S:
            # Only a second with more requests than it could take tells how many it can take.
            # A second spent on turning a crowd away tells little, so what is known falls slowly.
            seen, known = self._let_in / passed_s, self._taken_in_a_s
            self._taken_in_a_s = max(_LEAST_A_S, seen, known + _FALL * (seen - known))
        self._looked_s = now_s
        self._let_in = self._turned_away = 0

    def turn_away(self, operation: Operation, now_s: float) -> None:
        """Refuse a request for now if too many wait before those that came after it.

        Raises:
            TurnedAway: 503 with Retry-After.
        """
        if not operation.raw_body:
            return
        seconds = self.come_back_in_s(self.waiting(), now_s)
        if seconds is not None:
            raise TurnedAway(
                503,
                f"Too many requests wait already. Nothing was taken in; send it again in {seconds} s.",
                headers={"Retry-After": str(seconds)},
            )
