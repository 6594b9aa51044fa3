"""Reads a line of points between its points; leaves what the points mean to its callers."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence


def interpolate_all(xs: Sequence[float], ys: Sequence[float], at: Iterable[float]) -> list[float]:
    """Read y at many rising x, as `interpolate` reads it at one.

    Args:
        xs: Rising positions.
        ys: The values there.
        at: The positions asked for, rising, in the unit of `xs`.

    Returns:
        The values, in the unit of `ys`.
    """
    index, end = 0, len(xs)
    found: list[float] = []
    for x in at:
        while index < end and xs[index] < x:
            index += 1
        if index == 0:
            found.append(ys[0])
        elif index == end:
            found.append(ys[-1])
        else:
            x0, x1, y0 = xs[index - 1], xs[index], ys[index - 1]
            found.append(y0 + (ys[index] - y0) * ((x - x0) / (x1 - x0)) if x1 != x0 else ys[index])
    return found


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
