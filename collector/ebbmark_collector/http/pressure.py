"""When more requests wait than will be answered soon, agents are told to come back, and when.

1. Only handing in reports is put off: its caller keeps the report and asks again. People are always served.
2. The wait is drawn at random, so that agents which came together do not come together again.
3. Being told to come back costs a small part of a request, so the requests that are taken in go on at full rate.
"""

from random import SystemRandom

from flask import Flask, current_app

from ebbmark_collector.http.operation import Operation
from ebbmark_collector.http.problems import HttpProblem

_WAITING = "EBBMARK_WAITING"
_SOONEST_S, _LATEST_S = 5, 30  # [s]
_random = SystemRandom()


def tell_waiting(app: Flask, waiting: object) -> None:
    """Let an app ask its server how many requests wait for a thread: `waiting` has that length."""
    app.config[_WAITING] = waiting


def turn_away(operation: Operation, *, most_waiting: int) -> None:
    """Refuse a request for now if too many wait before those that came after it.

    Raises:
        HttpProblem: 503 with Retry-After.
    """
    waiting = current_app.config.get(_WAITING)
    if waiting is None or not operation.raw_body or len(waiting) <= most_waiting:
        return
    seconds = _random.randint(_SOONEST_S, _LATEST_S)
    raise HttpProblem(
        503,
        f"{len(waiting)} requests wait already. Nothing was taken in; send it again in {seconds} s.",
        headers={"Retry-After": str(seconds)},
    )
