"""When something that recurs is due, with clocks that jump and a thousand hosts that start at once.

Cadence is counted from when the thing was last done, in UTC, so suspend, restarts and summer time neither
double nor starve it. A last time that lies in the future means that the clock jumped back: it counts as now.
"""

import hashlib
from datetime import datetime, timedelta

FIRST_WITHIN_S = 900.0  # [s] over which the first doings of all hosts are spread


def phase_of(key: str) -> float:
    """Give a host's place among all, the same at every start.

    Args:
        key: What tells hosts apart, with what is being spread.

    Returns:
        A number from 0 up to 1, evenly spread over keys [1].
    """
    return int.from_bytes(hashlib.sha256(key.encode()).digest()[:8], "big") / 2**64


def due_at(
    last: datetime | None, *, every_s: float, now: datetime, started_at: datetime, phase: float
) -> datetime:
    """Give when something is due next.

    Args:
        last: When it was last done, or None.
        every_s: Its cadence [s].
        now: The present instant.
        started_at: When the agent started.
        phase: This host's place among all [1].

    Returns:
        The instant; it may have passed.
    """
    if last is None:
        return min(started_at, now) + timedelta(seconds=phase * min(every_s, FIRST_WITHIN_S))
    return min(last, now) + timedelta(seconds=every_s)
