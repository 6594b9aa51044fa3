"""Looks closely at one change of a rate: whether it falls at once or gradually, and where its corner is."""

from collections.abc import Sequence
from itertools import accumulate
from operator import mul

from ebbmark_agent.evidence.changes import Stretch
from ebbmark_agent.evidence.points import interpolate

FIT_MARKS = 200  # [1]
LONGER_SIDE = 4.0  # [1] own: more of the longer side would only blur the look at the change
NEAR_S = 2.0  # [s] own: how far from a change its corner is looked for
CORNER_STEP_S = 0.04  # [s] own
EVENED_STEPS = 5  # [1] 0.2 s: two of a throttle's slices


def falls_at_once(clock: Sequence[float], totals: Sequence[float], before: Stretch, after: Stretch) -> bool:
    """Tell a cliff from a slide: does a kink fit the bytes over time better than any even bend.

    The bend may be even throughout, or as wide as the shorter side, or as both. All these curves have as
    many parameters, so the one that explains most of what a straight line leaves is the best, by least
    squares on even marks.
    """
    shorter_s = min(before.length_s, after.length_s)
    start_s = max(before.start_s, after.start_s - LONGER_SIDE * shorter_s)
    length_s = min(after.end_s, after.start_s + LONGER_SIDE * shorter_s) - start_s
    shares = [(index + 0.5) / FIT_MARKS for index in range(FIT_MARKS)]
    values = [_evened(clock, totals, start_s + share * length_s) for share in shares]
    change = (after.start_s - start_s) / length_s
    width = shorter_s / length_s
    bends = (
        [share * share for share in shares],
        [_bend(share - change, width) for share in shares],
        [_bend(share - change, 2 * width) for share in shares],
    )
    kink = [max(0.0, share - change) for share in shares]
    return _explained(shares, values, kink) >= max(_explained(shares, values, bend) for bend in bends)


def _evened(clock: Sequence[float], totals: Sequence[float], at_s: float) -> float:
    """Give the bytes by a time, evened out over two of a throttle's slices."""
    half = EVENED_STEPS // 2
    steps = range(-half, half + 1)
    return sum(interpolate(clock, totals, at_s + step * CORNER_STEP_S) for step in steps) / EVENED_STEPS


def _bend(x: float, width: float) -> float:
    """Give the height of a kink at zero that is rounded off evenly over a width."""
    inside = min(max(x + width / 2, 0.0), width)
    return inside * inside / (2 * width) + max(0.0, x - width / 2)


def _explained(xs: Sequence[float], ys: Sequence[float], shape: Sequence[float]) -> float:
    """Give how much of the squares a straight line leaves of y is explained by one more shape."""
    left, shape_left = _off_line(xs, ys), _off_line(xs, shape)
    along: float = sum(map(mul, left, shape_left))
    across: float = sum(map(mul, shape_left, shape_left))
    # A step at the very edge of the stretch is a straight line on these marks and explains nothing more.
    return along * along / across if across > 0 else 0.0


def _off_line(xs: Sequence[float], ys: Sequence[float]) -> list[float]:
    at_zero, slope = _fitted_line(xs, ys)
    return [y - at_zero - slope * x for x, y in zip(xs, ys, strict=True)]


def _fitted_line(xs: Sequence[float], ys: Sequence[float]) -> tuple[float, float]:
    """Fit a line by least squares: its value at zero and its slope."""
    mean_x, mean_y = sum(xs) / len(xs), sum(ys) / len(ys)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True))
    slope /= sum((x - mean_x) ** 2 for x in xs)
    return mean_y - slope * mean_x, slope


def corner(
    clock: Sequence[float], totals: Sequence[float], before: Stretch, after: Stretch
) -> tuple[float, float]:
    """Find a cliff's corner: where the bytes stand highest over a line of the middle rate.

    The curve is evened out over two of a throttle's slices first; the middle rate keeps that unbiased, and a
    slow block elsewhere moves nothing.
    """
    rate = (before.rate_bytes_per_s + after.rate_bytes_per_s) / 2
    start_s = after.start_s - min(NEAR_S, before.length_s / 2)
    count = int((after.start_s + min(NEAR_S, after.length_s / 2) - start_s) / CORNER_STEP_S)
    at = [start_s + index * CORNER_STEP_S for index in range(count + 1)]
    values = [interpolate(clock, totals, at_s) for at_s in at]
    summed = [0.0, *accumulate(values)]
    half = EVENED_STEPS // 2
    best = max(
        range(half, len(at) - half),
        key=lambda index: (summed[index + half + 1] - summed[index - half]) / EVENED_STEPS - rate * at[index],
        default=None,
    )
    if best is None:
        return after.start_s, after.start_byte
    return at[best], values[best]
