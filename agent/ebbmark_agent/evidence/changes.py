"""Finds where a curve of bytes over time changes its slope for longer than its noise explains.

1. The curve is looked at on a grid that is fine both in time and in bytes, so that neither a short fast
   cache nor a long slow stretch is lost, however many blocks were written.
2. A stretch is split at the point farthest from its chord, measured so that the split takes away most of
   the squared error of its rate; then both parts are looked at again.
3. A split stands if both sides last long enough and their rates differ by more than a share of the faster
   and by more than chance: four standard errors of the noise seen at half-second grain.

Source: own arrangement of binary segmentation; A. J. Scott, M. Knott, Biometrics 30 (3), 1974; L. Yu.
Vostrikova, Soviet Mathematics Doklady 24, 1981. The noise is taken from differences of neighbours, as in
J. von Neumann et al., Annals of Mathematical Statistics 12 (2), 1941, by medians.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ebbmark_agent.evidence.points import interpolate

GRID_MARKS = 3000  # [1] a half evenly in time, a half evenly in bytes
SHORTEST_S = 1.0  # [s] own: ten slices of a throttle
SHORTEST_TAIL_S = 0.5  # [s] own: the end of a trace cannot be waited for
TAIL_SHARE = 0.6  # [1] own: a tail this short has to be this much slower
LEAST_STEP = 0.08  # [1] own: smaller steps do not change a judgement
STANDARD_ERRORS = 4.0  # [1] own
GRAIN_S = 0.5  # [s] own: five slices of a throttle
UNKNOWN_NOISE_S = 0.5 * 0.1**2  # [s] 10 % at half-second grain, as a throttle's slices make it
MOST_SPLITS = 60  # [1]
SECOND_LOOKS = 4  # [1]
SMALL_STEP = 0.25  # [1] own: steps below this have to last
SHORTEST_SMALL_S = 3.0  # [s] own: longer than a throttle's head start can colour
MEDIAN_TO_SIGMA = 1.4826 / math.sqrt(2)  # [1] median distance of neighbours to standard deviation


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """A part of a curve between two changes.

    Attributes:
        start_s: Where it begins [s].
        end_s: Where it ends [s].
        start_byte: Bytes at its begin [bytes].
        end_byte: Bytes at its end [bytes].
    """

    start_s: float
    end_s: float
    start_byte: float
    end_byte: float

    @property
    def length_s(self) -> float:
        """Give how long it lasts [s]."""
        return self.end_s - self.start_s

    @property
    def rate_bytes_per_s(self) -> float:
        """Give its mean rate [bytes/s]."""
        return (self.end_byte - self.start_byte) / self.length_s


def stretches(times: Sequence[float], totals: Sequence[float]) -> list[Stretch]:
    """Divide a curve where its slope changes.

    Args:
        times: Rising times [s].
        totals: Bytes by then, never falling [bytes].

    Returns:
        The stretches in order, without gaps; at least one.
    """
    grid_s, grid_bytes = _grid(times, totals)
    marks = _settled_marks(grid_s, grid_bytes, _marks(grid_s, grid_bytes))
    return [
        Stretch(
            start_s=grid_s[first], end_s=grid_s[last], start_byte=grid_bytes[first], end_byte=grid_bytes[last]
        )
        for first, last in pairwise(marks)
    ]


def _marks(times: Sequence[float], totals: Sequence[float]) -> list[int]:
    """Split the curve and its parts until no split stands."""
    marks = [0, len(times) - 1]
    waiting = [(0, len(times) - 1)]
    while waiting and len(marks) < MOST_SPLITS:
        first, last = waiting.pop(0)
        middle = _split(times, totals, first, last)
        if middle is not None:
            marks.append(middle)
            waiting += [(first, middle), (middle, last)]
    return sorted(marks)


def _settled_marks(times: Sequence[float], totals: Sequence[float], marks: list[int]) -> list[int]:
    """Look at every split again between its neighbours: move it to the best place there, or drop it.

    A first split is placed while later ones are unknown, which leaves slivers beside the true change.
    """
    for _ in range(SECOND_LOOKS):
        before = list(marks)
        index = 1
        while index < len(marks) - 1:
            middle = _split(times, totals, marks[index - 1], marks[index + 1])
            if middle is None:
                del marks[index]
            else:
                marks[index] = middle
                index += 1
        if marks == before:
            break
    return marks


def _grid(times: Sequence[float], totals: Sequence[float]) -> tuple[list[float], list[float]]:
    """Take the curve's own points where there are few, else points near even marks of time and bytes."""
    last = len(times) - 1
    if last <= GRID_MARKS:
        return list(times), list(totals)
    step_s = (times[last] - times[0]) * 2 / GRID_MARKS
    step_bytes = max(1.0, (totals[last] - totals[0]) * 2 / GRID_MARKS)
    grid_s, grid_bytes = [times[0]], [totals[0]]
    next_s, next_byte = times[0] + step_s, totals[0] + step_bytes
    for at_s, at_byte in zip(times, totals, strict=True):
        if at_s >= next_s or at_byte >= next_byte:
            grid_s.append(at_s)
            grid_bytes.append(at_byte)
            next_s, next_byte = at_s + step_s, at_byte + step_bytes
    if grid_s[-1] != times[last]:
        grid_s.append(times[last])
        grid_bytes.append(totals[last])
    return grid_s, grid_bytes


def _split(times: Sequence[float], totals: Sequence[float], first: int, last: int) -> int | None:
    start_s, end_s = times[first], times[last]
    start_byte = totals[first]
    length_s = end_s - start_s
    if length_s < SHORTEST_S + SHORTEST_TAIL_S:
        return None
    rate = (totals[last] - start_byte) / length_s
    tail_s = SHORTEST_TAIL_S if last == len(times) - 1 else SHORTEST_S
    best, best_gain = None, 0.0
    for index in range(first + 1, last):
        before_s, after_s = times[index] - start_s, end_s - times[index]
        if before_s < SHORTEST_S:
            continue
        if after_s < tail_s:
            break
        off = totals[index] - start_byte - rate * before_s
        gain = off * off / (before_s * after_s)
        if gain > best_gain:
            best, best_gain = index, gain
    if best is None or not _stands(times, totals, first, best, last):
        return None
    return best


def _stands(times: Sequence[float], totals: Sequence[float], first: int, middle: int, last: int) -> bool:
    before_s, after_s = times[middle] - times[first], times[last] - times[middle]
    before = (totals[middle] - totals[first]) / before_s
    after = (totals[last] - totals[middle]) / after_s
    shorter_s = min(before_s, after_s)
    least = (
        TAIL_SHARE if shorter_s < SHORTEST_S else SMALL_STEP if shorter_s < SHORTEST_SMALL_S else LEAST_STEP
    )
    step = abs(before - after)
    if step < least * max(before, after):
        return False
    noise_before = _noise_share(times, totals, first, middle)
    noise_after = _noise_share(times, totals, middle, last)
    known = [noise for noise in (noise_before, noise_after) if noise is not None] or [UNKNOWN_NOISE_S]
    variance = (noise_before or max(known)) * before**2 / before_s
    variance += (noise_after or max(known)) * after**2 / after_s
    return step >= STANDARD_ERRORS * math.sqrt(variance)


def _least_step(shorter_s: float) -> float:
    """Give the smallest step to believe, as a share of the faster rate [1]."""
    if shorter_s < SHORTEST_S:
        return TAIL_SHARE
    return SMALL_STEP if shorter_s < SHORTEST_SMALL_S else LEAST_STEP


def _noise_share(times: Sequence[float], totals: Sequence[float], first: int, last: int) -> float | None:
    """Estimate the noise of a stretch: the variance of its mean over a second, over the mean squared [s]."""
    length_s = times[last] - times[first]
    moved = totals[last] - totals[first]
    count = min(200, int(length_s / GRAIN_S))
    if count < 4 or not moved:
        return None
    grain_s = length_s / count
    at = [times[first] + index * grain_s for index in range(count + 1)]
    marks = [interpolate(times, totals, at_s) for at_s in at]
    rates = [(after - before) / grain_s for before, after in pairwise(marks)]
    moves = sorted(abs(after - before) for before, after in pairwise(rates))
    sigma = MEDIAN_TO_SIGMA * moves[len(moves) // 2] / (moved / length_s)
    return sigma * sigma * grain_s
