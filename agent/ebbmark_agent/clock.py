"""The only place in the agent that reads a clock."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime


def utc_now() -> datetime:
    """Give the present instant in UTC."""
    return datetime.now(UTC)


def monotonic_s() -> float:
    """Give a monotonic reading [s] for durations; it does not jump with the wall clock."""
    return time.monotonic()


@dataclass(frozen=True, kw_only=True)
class Clock:
    """The two clocks a caller may be given; tests hand in their own."""

    utc: Callable[[], datetime] = utc_now
    monotonic_s: Callable[[], float] = monotonic_s
