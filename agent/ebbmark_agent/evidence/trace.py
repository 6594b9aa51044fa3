"""A trace: how many bytes a drive had taken by when, from a writer that always had the next block ready.

1. A trace begins at (0 s, 0 bytes); times and totals never fall; between points it is linear.
2. Points at the same time are one point: the bytes count as written by then, those at 0 s as part of the
   first step.
3. Whatever cannot be a trace is refused with a sentence; nothing is mended silently.

What a trace says is for the other modules of this package; reading and writing files is for their callers.
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate, islice, pairwise
from operator import le

from ebbmark_agent.evidence.points import interpolate, interpolate_all
from ebbmark_agent.evidence.thinning import DEFAULT_MAX_POINTS, kept_points

LONGEST_STEP_S = 600.0  # [s] common practice, no source: a system gives a block up long before
STANDSTILL_SHARE = 1e-3  # [1] of the rest's rate: a long step slower than this is no write


@dataclass(frozen=True, kw_only=True, slots=True)
class Trace:
    """Completion times and bytes written by then.

    Attributes:
        times_s: Rising times since the first block was handed over, beginning at 0 [s].
        total_bytes: Bytes taken by then, never falling, beginning at 0 [bytes].

    Raises:
        ValueError: The points are no trace; the sentence says which and why.
    """

    times_s: tuple[float, ...]
    total_bytes: tuple[float, ...]

    def __post_init__(self) -> None:
        _refuse_unusable(self.times_s, self.total_bytes)

    @classmethod
    def from_points(cls, times_s: Sequence[float], total_bytes: Sequence[float]) -> "Trace":
        """Build a trace from completion times and running totals.

        Args:
            times_s: Times, never falling, the first 0 [s].
            total_bytes: As many running totals, never falling, the first 0 [bytes].

        Returns:
            The trace, points at the same time merged.

        Raises:
            ValueError: The points are no trace; the sentence says which and why.
        """
        if len(times_s) != len(total_bytes):
            raise ValueError(
                f"a trace needs a total for each time, got {len(times_s)} times and {len(total_bytes)} totals"
            )
        times = [float(value) for value in times_s]
        totals = [value if isinstance(value, int) else float(value) for value in total_bytes]
        if len(times) > 1 and (times[0] != 0 or totals[0] != 0):
            raise ValueError(
                f"a trace begins at 0 s and 0 bytes, got {times[0]} s and {totals[0]} bytes; "
                "subtract the first point"
            )
        return cls(**_merged(times, totals))

    @classmethod
    def from_steps(cls, step_us: Sequence[int], step_bytes: Sequence[int]) -> "Trace":
        """Build a trace from the wire's form: how long each step took and what it moved.

        Args:
            step_us: Lengths of the steps [us].
            step_bytes: As many byte counts [bytes].

        Returns:
            The trace.

        Raises:
            ValueError: The steps are no trace; the sentence says which and why.
        """
        if len(step_us) != len(step_bytes):
            raise ValueError(
                f"a trace needs a byte count for each time, got {len(step_us)} and {len(step_bytes)}"
            )
        times = [elapsed_us / 1e6 for elapsed_us in accumulate(step_us, initial=0)]
        return cls(**_merged(times, list(accumulate(step_bytes, initial=0))))

    def to_steps(self, max_points: int = DEFAULT_MAX_POINTS) -> tuple[list[int], list[int]]:
        """Give the wire's form, thinned where the trace has more points than asked for.

        Args:
            max_points: The most steps to give [1].

        Returns:
            Lengths of the steps [us] and what each moved [bytes]. Every figure read from them is within
            0.5 % of the full trace's.

        Raises:
            ValueError: `max_points` is too few to keep a trace's shape.
        """
        thinned = self.thinned(max_points)
        marks_us = [round(at_s * 1e6) for at_s in thinned.times_s]
        marks_bytes = [round(total) for total in thinned.total_bytes]
        return _differences(marks_us), _differences(marks_bytes)

    def thinned(self, max_points: int = DEFAULT_MAX_POINTS) -> "Trace":
        """Give the same trace with fewer points, or itself where it has few enough.

        Args:
            max_points: The most steps to keep [1].

        Returns:
            A trace of which every point is one of this trace's.

        Raises:
            ValueError: `max_points` is too few to keep a trace's shape.
        """
        kept = kept_points(self.times_s, self.total_bytes, max_points)
        if kept is None:
            return self
        return Trace(
            times_s=tuple(self.times_s[index] for index in kept),
            total_bytes=tuple(self.total_bytes[index] for index in kept),
        )

    @property
    def duration_s(self) -> float:
        """Give how long was written [s]."""
        return self.times_s[-1]

    @property
    def written_bytes(self) -> float:
        """Give how much was written [bytes]."""
        return self.total_bytes[-1]

    @property
    def mean_bytes_per_s(self) -> float:
        """Give the mean rate [bytes/s]."""
        return self.written_bytes / self.duration_s

    def bytes_at(self, at_s: float) -> float:
        """Give the bytes written by a time [bytes], linear between points.

        Args:
            at_s: The time [s].
        """
        return interpolate(self.times_s, self.total_bytes, at_s)

    def bytes_at_all(self, at_s: Iterable[float]) -> list[float]:
        """Give the bytes written by each of many times [bytes].

        Args:
            at_s: The times, rising [s].
        """
        return interpolate_all(self.times_s, self.total_bytes, at_s)

    def after(self, start_s: float) -> "Trace":
        """Give the rest of the trace from a time on, as a trace of its own that begins at (0, 0).

        Args:
            start_s: Where the rest begins [s].

        Returns:
            The rest; the trace itself from 0 s.

        Raises:
            ValueError: Nothing lies after that time.
        """
        if start_s <= 0:
            return self
        first = bisect_right(self.times_s, start_s)
        if first == len(self.times_s):
            raise ValueError(f"nothing of the trace lies after {start_s} s; it ends at {self.duration_s} s")
        start_byte = self.bytes_at(start_s)
        return Trace(
            times_s=(0.0, *(at_s - start_s for at_s in self.times_s[first:])),
            total_bytes=(0, *(total - start_byte for total in self.total_bytes[first:])),
        )


def _refuse_unusable(times: Sequence[float], totals: Sequence[float]) -> None:
    if len(times) < 2:
        raise ValueError(f"a trace needs at least two points, got {len(times)}; the probe wrote nothing")
    for name, values, unit in (("time", times, "s"), ("total", totals, "bytes")):
        if not all(map(math.isfinite, values)):
            index = next(i for i, value in enumerate(values) if not math.isfinite(value))
            raise ValueError(
                f"{name} {index} of the trace is {values[index]}; every {name} must be a finite number"
            )
        if not all(map(le, values, islice(values, 1, None))):
            index = next(i for i in range(1, len(values)) if values[i] < values[i - 1])
            raise ValueError(
                f"{name} {index} of the trace falls from {values[index - 1]} to {values[index]} {unit}; "
                "the clock or the count ran backwards"
            )
    if times[-1] <= 0:
        raise ValueError("the trace lasts 0 s; a rate needs a duration")
    _refuse_clock_jump(times, totals)


def _refuse_clock_jump(times: Sequence[float], totals: Sequence[float]) -> None:
    if times[-1] - times[0] <= LONGEST_STEP_S:
        return  # no step is longer than all of them
    before_s, before_byte = times[0], totals[0]
    for at_s, at_byte in zip(times, totals, strict=True):
        length_s = at_s - before_s
        rest_s = times[-1] - length_s
        if length_s > LONGEST_STEP_S and rest_s > 0:
            rate, rest_rate = (
                (at_byte - before_byte) / length_s,
                (totals[-1] - at_byte + before_byte) / rest_s,
            )
            if rate < rest_rate * STANDSTILL_SHARE:
                raise ValueError(
                    f"the step from {before_s:.3f} s lasts {length_s:.0f} s and moves almost nothing: the "
                    "clock jumped or the machine slept; judge the parts before and after as two segments"
                )
        before_s, before_byte = at_s, at_byte


def _merged(times: list[float], totals: list[float]) -> dict[str, tuple[float, ...]]:
    """Make one point of points at the same time, keeping the first point at (0, 0)."""
    if all(map(float.__lt__, times, times[1:])):
        return {"times_s": tuple(times), "total_bytes": tuple(totals)}
    kept_s, kept_bytes = times[:1], totals[:1]
    for at_s, at_byte in zip(times[1:], totals[1:], strict=True):
        if at_s != kept_s[-1]:
            kept_s.append(at_s)
            kept_bytes.append(at_byte)
        elif at_byte < kept_bytes[-1]:
            raise ValueError(
                f"the totals of the trace fall to {at_byte} bytes at {at_s} s; the count ran backwards"
            )
        elif len(kept_s) > 1:
            kept_bytes[-1] = at_byte
    return {"times_s": tuple(kept_s), "total_bytes": tuple(kept_bytes)}


def _differences(marks: list[int]) -> list[int]:
    return [after - before for before, after in pairwise(marks)]
