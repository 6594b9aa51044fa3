"""Reads a line of points between its points; leaves what the points mean to its callers."""

from bisect import bisect_left
from collections.abc import Sequence


def interpolate(xs: Sequence[float], ys: Sequence[float], at: float) -> float:
    """Read y at x, linear between points and constant beyond the ends.

    Args:
        xs: Rising positions.
        ys: The values there.
        at: The position asked for, in the unit of `xs`.

    Returns:
        The value, in the unit of `ys`.
    """
    index = bisect_left(xs, at)
    if index == 0:
        return ys[0]
    if index == len(xs):
        return ys[-1]
    x0, x1 = xs[index - 1], xs[index]
    if x1 == x0:
        return ys[index]
    return ys[index - 1] + (ys[index] - ys[index - 1]) * ((at - x0) / (x1 - x0))
