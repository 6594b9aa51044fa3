"""Finds the stalls of a trace: single steps in which a drive took far longer than its rate would need.

A stall is a step of at least 0.2 s that lasts at least three times what its bytes would take at the rate of
the steps around it. A shorter one right after a longer one is its echo and does not count. Nor does a step of
a coarse trace that moved more than a second's worth at that rate: it tells of a slower rate, not of a stop.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from operator import sub

from ebbmark_agent.evidence.trace import Trace

SHORTEST_STALL_S = 0.2  # [s] own: blocks are sized to take no longer than 0.1 s
STALL_FACTOR = 3.0  # [1] own
JOINED_S = 0.3  # [s] own: requests queued during a stall come late as well
PACE_S = 1.0  # [s] own: ten slices of a throttle
COARSE_S = 1.0  # [s] own: more than a pace is told by; a stop comes on one block, a slow step on many
FEWEST_EVENTS = 3  # [1] two distances
EVEN_SHARE = 0.15  # [1] own
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
    """Find the stalls of a trace, in order of time; a wait for the very first block is among them.

    Args:
        trace: The trace.

    Returns:
        The stalls, those that echo a longer one right before them left out.
    """
    return without_echoes(step for _, step in long_steps(trace))


def without_echoes(steps: Iterable[Stall]) -> tuple[Stall, ...]:
    """Leave out of a trace's long steps those that echo a longer one right before them.

    Args:
        steps: From `long_steps`, in order of time.

    Returns:
        The stalls.
    """
    found: list[Stall] = []
    for step in steps:
        if found and _echoes(found[-1], step):
            continue
        found.append(step)
    return tuple(found)


def long_steps(trace: Trace) -> Iterator[tuple[int, Stall]]:
    """Find every step in which the drive fell far behind its own pace.

    Args:
        trace: The trace.

    Yields:
        The index of the point that ends the step [1], and the step.
    """
    times, totals = trace.times_s, trace.total_bytes
    if max(map(sub, times[1:], times)) < SHORTEST_STALL_S:
        return  # as of most spots: nothing is asked of each step
    fastest = 1.001 * _fastest_step(times, totals)  # no pace beside a step exceeds it, however it is rounded
    before_s = times[0]
    for index, at_s in enumerate(times):
        length_s = at_s - before_s
        if length_s >= SHORTEST_STALL_S:
            moved = totals[index] - totals[index - 1]
            if length_s * fastest < STALL_FACTOR * moved + 1:
                before_s = at_s
                continue
            pace = pace_around(trace, before_s, at_s)
            coarse = pace is not None and moved > pace * COARSE_S
            if pace is not None and not coarse and length_s * pace >= STALL_FACTOR * moved + 1:
                yield index, Stall(start_s=before_s, length_s=length_s, at_byte=totals[index - 1])
        before_s = at_s


def _fastest_step(times: Sequence[float], totals: Sequence[float]) -> float:
    return max(
        (to_byte - from_byte) / (to_s - from_s) if to_s > from_s else inf
        for (from_s, to_s), (from_byte, to_byte) in zip(pairwise(times), pairwise(totals), strict=True)
    )


def pace_around(trace: Trace, start_s: float, end_s: float) -> float | None:
    """Give the pace next to a step: the slower of the second before and the second after.

    A side shorter than a third of a second says too little and counts only where the other is no longer.

    Args:
        trace: The trace.
        start_s: Where the step begins [s].
        end_s: Where it ends [s].

    Returns:
        The pace [bytes/s]; None where the step is the whole trace.
    """
    sides = ((max(0.0, start_s - PACE_S), start_s), (end_s, min(trace.duration_s, end_s + PACE_S)))
    long_enough = min(PACE_S / 3, max(until_s - from_s for from_s, until_s in sides))
    return min(
        (
            (trace.bytes_at(until_s) - trace.bytes_at(from_s)) / (until_s - from_s)
            for from_s, until_s in sides
            if until_s > from_s and until_s - from_s >= long_enough
        ),
        default=None,
    )


def _echoes(before: Stall, step: Stall) -> bool:
    gap_s = step.start_s - (before.start_s + before.length_s)
    return gap_s < JOINED_S and step.length_s < before.length_s / 2


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
        period_s=even_distance_s([stall.start_s for stall in stalls]),
        listed=tuple(sorted(stalls, key=lambda stall: -stall.length_s)[:LISTED_STALLS]),
    )


def even_distance_s(starts_s: Sequence[float]) -> float | None:
    """Give the distance at which events come, where it is even.

    Args:
        starts_s: When they began, rising [s].

    Returns:
        The middle distance [s], where half of the distances are within 15 % of it; None where they are
        not, or where there are fewer than three events.
    """
    if len(starts_s) < FEWEST_EVENTS:
        return None
    gaps = sorted(after - before for before, after in pairwise(starts_s))
    middle_s = gaps[len(gaps) // 2]
    off_s = sorted(abs(gap - middle_s) for gap in gaps)[len(gaps) // 2]
    return middle_s if off_s <= EVEN_SHARE * middle_s else None
