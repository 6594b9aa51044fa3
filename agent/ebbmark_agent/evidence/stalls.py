"""Finds the stalls of a trace: single steps in which a drive took far longer than its rate would need.

A stall is a step of at least 0.2 s that lasts at least four times what its bytes would take at the rate of
the steps around it. Stalls with almost nothing between them are one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ebbmark_agent.evidence.trace import Trace

SHORTEST_STALL_S = 0.2  # [s] own: blocks are sized to take no longer than 0.1 s
STALL_FACTOR = 4.0  # [1] own
JOINED_S = 0.3  # [s] own: queued requests after a stall still belong to it
LISTED_STALLS = 64  # [1] the longest are listed, all are counted


@dataclass(frozen=True, kw_only=True, slots=True)
class Stall:
    """One stall.

    Attributes:
        start_s: When it began [s].
        length_s: How long it lasted [s].
        at_byte: How much had been written by then [bytes].
    """

    start_s: float
    length_s: float
    at_byte: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Stalls:
    """All stalls of a probe.

    Attributes:
        count: How many [1].
        longest_s: The longest [s]; None without any.
        total_s: All together [s].
        period_s: From one to the next, where they come regularly [s]; else None.
        listed: The longest ones, longest first.
    """

    count: int
    longest_s: float | None
    total_s: float
    period_s: float | None
    listed: tuple[Stall, ...]

    def beyond(self, buffer_s: float) -> int:
        """Count the listed stalls that a buffer cannot bridge even when empty at their begin.

        Args:
            buffer_s: The recorder's buffer in seconds of stream [s].

        Returns:
            How many last longer [1].
        """
        return sum(stall.length_s > buffer_s for stall in self.listed)


def find_stalls(trace: Trace) -> tuple[Stall, ...]:
    """Find the stalls of a trace, in order of time.

    Args:
        trace: The trace.

    Returns:
        The stalls.
    """
    times, totals = trace.times_s, trace.total_bytes
    long_steps = [
        index for index in range(1, len(times)) if times[index] - times[index - 1] >= SHORTEST_STALL_S
    ]
    found: list[Stall] = []
    for index in long_steps:
        length_s = times[index] - times[index - 1]
        moved = totals[index] - totals[index - 1]
        if length_s * trace.mean_bytes_per_s < STALL_FACTOR * moved:
            continue
        found.append(Stall(start_s=times[index - 1], length_s=length_s, at_byte=totals[index - 1]))
    return tuple(found)


def sum_up(stalls: Sequence[Stall]) -> Stalls:
    """Count stalls and find their period.

    Args:
        stalls: The stalls of one or several segments, in order of time.

    Returns:
        The count, longest, sum and period.
    """
    return Stalls(
        count=len(stalls),
        longest_s=max((stall.length_s for stall in stalls), default=None),
        total_s=sum(stall.length_s for stall in stalls),
        period_s=_period_s(stalls),
        listed=tuple(sorted(stalls, key=lambda stall: -stall.length_s)[:LISTED_STALLS]),
    )


def _period_s(stalls: Sequence[Stall]) -> float | None:
    if len(stalls) < 3:
        return None
    gaps = sorted(after.start_s - before.start_s for before, after in pairwise(stalls))
    median_s = gaps[len(gaps) // 2]
    off_s = sorted(abs(gap - median_s) for gap in gaps)[len(gaps) // 2]
    return median_s if off_s <= 0.15 * median_s else None
