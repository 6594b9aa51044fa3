"""Cuts traces into columns of equal bytes, each with its slowest, mean and fastest rate: no dip is lost."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from ebbmark_agent.evidence.trace import Trace

SHORTEST_S = 0.05  # [s] blocks shorter than this are read together: a single one's rate is jitter
MEAN_OVER_S = 1.0  # [s] of the line: about a recorder's buffer, so that it can be held against the floor


@dataclass(frozen=True, kw_only=True)
class RateColumn:
    """What happened between two byte counts.

    Attributes:
        start_byte: Where it begins [bytes].
        end_byte: Where it ends [bytes].
        mean_bytes_per_s: The mean over a second about its middle [bytes/s].
        slowest_bytes_per_s: The slowest rate within [bytes/s].
        fastest_bytes_per_s: The fastest rate within [bytes/s].
    """

    start_byte: float
    end_byte: float
    mean_bytes_per_s: float
    slowest_bytes_per_s: float
    fastest_bytes_per_s: float


def rate_columns(segments: Sequence[Trace], count: int) -> tuple[RateColumn, ...]:
    """Cut traces, laid end to end by bytes, into columns.

    Args:
        segments: The traces of a probe.
        count: How many columns [1].

    Returns:
        The columns in order. A stretch of a single rate spans all columns it reaches into.

    Raises:
        ValueError: If there is no trace, or nothing was written, or no column is asked for.
    """
    total = sum(segment.written_bytes for segment in segments)
    if count < 1 or total <= 0:
        raise ValueError("there is nothing to draw: no column was asked for, or nothing was written")
    width = total / count
    slowest: list[float | None] = [None] * count
    fastest: list[float | None] = [None] * count
    offset = 0.0
    for segment in segments:
        for start, end, rate in _stretches(segment):
            first = min(count - 1, int((offset + start) / width))
            last = min(count - 1, max(first, int((offset + end) / width - 1e-9)))
            for at in range(first, last + 1):
                low, high = slowest[at], fastest[at]
                slowest[at] = rate if low is None else min(low, rate)
                fastest[at] = rate if high is None else max(high, rate)
        offset += segment.written_bytes
    course = _Course(segments)
    return tuple(
        RateColumn(
            start_byte=at * width,
            end_byte=(at + 1) * width,
            mean_bytes_per_s=course.mean_around((at + 0.5) * width),
            slowest_bytes_per_s=slowest[at] or 0.0,
            fastest_bytes_per_s=fastest[at] or 0.0,
        )
        for at in range(count)
    )


class _Course:
    """All segments as one course of bytes over time, pauses left out."""

    def __init__(self, segments: Sequence[Trace]) -> None:
        self._times_s, self._bytes = [0.0], [0.0]
        for segment in segments:
            from_s, from_byte = self._times_s[-1], self._bytes[-1]
            self._times_s.extend(from_s + each for each in segment.times_s[1:])
            self._bytes.extend(from_byte + each for each in segment.total_bytes[1:])

    def mean_around(self, byte: float) -> float:
        """Give the mean over a second about the time of this byte, or over what there is of it [bytes/s]."""
        at_s = _between(self._bytes, self._times_s, byte)
        from_s = max(0.0, at_s - MEAN_OVER_S / 2)
        to_s = min(self._times_s[-1], at_s + MEAN_OVER_S / 2)
        moved = _between(self._times_s, self._bytes, to_s) - _between(self._times_s, self._bytes, from_s)
        return moved / (to_s - from_s) if to_s > from_s else 0.0


def _between(known: Sequence[float], wanted: Sequence[float], at: float) -> float:
    """Give the wanted quantity where the known one, which never falls, is `at`, by a straight line."""
    right = min(max(1, bisect_left(known, at)), len(known) - 1)
    low, high = known[right - 1], known[right]
    share = min(1.0, max(0.0, (at - low) / (high - low))) if high > low else 1.0
    return wanted[right - 1] + share * (wanted[right] - wanted[right - 1])


def _stretches(trace: Trace) -> list[tuple[float, float, float]]:
    """Give (first byte, last byte, rate [bytes/s]) of stretches of at least the shortest time.

    A step that long stands by itself, so that a stall is not thinned by what came just before it. What was
    read together until then, too short to have a rate of its own, is read together with that step: where a
    drive takes three blocks at once and then waits, neither the taking nor the waiting alone is its rate.
    """
    found: list[tuple[float, float, float]] = []
    from_s = before_s = from_byte = before_byte = 0.0
    for at_s, at_byte in zip(trace.times_s[1:], trace.total_bytes[1:], strict=True):
        if at_s - before_s >= SHORTEST_S and found and before_byte > from_byte:
            found.append((from_byte, before_byte, (at_byte - from_byte) / (at_s - from_s)))
            from_s, from_byte = before_s, before_byte
        if at_s - from_s >= SHORTEST_S:
            found.append((from_byte, at_byte, (at_byte - from_byte) / (at_s - from_s)))
            from_s, from_byte = at_s, at_byte
        before_s, before_byte = at_s, at_byte
    if not found:
        return [(0.0, trace.written_bytes, trace.mean_bytes_per_s)]
    if before_byte > from_byte:
        found.append((from_byte, before_byte, found[-1][2]))
    return found
