"""The Theil-Sen line: a slope that up to 29 % wild points do not move, with Sen's interval."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import sqrt
from statistics import NormalDist, median

from ebbmark_collector.judge.kendall import s_variance

_NORMAL = NormalDist()


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A line through points: slope and interval per unit of x, and its height at x = 0."""

    slope: float
    low: float
    high: float
    intercept: float


def theil_sen(x: Sequence[float], y: Sequence[float], *, confidence: float = 0.9, lag1: float = 0.0) -> Line:
    """Fit the median of all pairwise slopes, with Sen's interval.

    Spacing may be uneven: each pair has its own distance, and pairs at one x are left out.

    Args:
        x: Times, any unit.
        y: Figures, as long as `x`.
        confidence: Of the interval, two-sided [1].
        lag1: Lag-1 correlation by which the interval is widened [1].

    Raises:
        ValueError: Fewer than two different x, or unequal lengths.

    Source:
        Theil 1950; Sen 1968, equation 2.6 for the interval, with ties in x and y. The intercept is the median
        of y - slope x, which a few wild points do not move either.
    """
    n = len(x)
    if n != len(y):
        raise ValueError("x and y must be equally long")
    pairs = combinations(zip(x, y, strict=True), 2)
    slopes = sorted([(later - y0) / (then - x0) for (x0, y0), (then, later) in pairs if then != x0])
    if not slopes:
        raise ValueError("a slope needs two points at different times")
    slope = median(slopes)
    tied = [[t for t in Counter(series).values() if t > 1] for series in (x, y)]
    variance = max(0.0, s_variance(n, *tied)) * (1 + lag1) / (1 - lag1)
    half = _NORMAL.inv_cdf(0.5 + confidence / 2) * sqrt(variance)
    count = len(slopes)
    upper = min(round((count + half) / 2), count - 1)
    lower = max(round((count - half) / 2) - 1, 0)
    intercept = median([b - slope * a for a, b in zip(x, y, strict=True)])
    return Line(slope=slope, low=slopes[lower], high=slopes[upper], intercept=intercept)
