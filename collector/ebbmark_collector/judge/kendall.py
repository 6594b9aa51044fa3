"""The Mann-Kendall test for a trend: exact below ten values, with ties, serial correlation allowed for.

Rules.

1. Below ten values the chance is exact, with ties too: among all orders of the values at hand, the number of
   discordant pairs is spread as the Gaussian multinomial coefficient says.
2. From ten on it is the normal approximation with the tie-corrected variance and the continuity correction.
3. The test takes values as independent. Neighbours in time that resemble each other make it too sure, so the
   variance is widened by (1 + r) / (1 - r), r the lag-1 correlation of what the trend leaves over, where r is
   significantly positive. Exact chances cannot be widened so; below ten values spacing is the only cure.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import sqrt
from statistics import NormalDist, fmean

EXACT_BELOW = 10  # [1] values; common choice for the normal approximation, as in Gilbert 1987, section 16.4
_ONE_SIDED_5_PERCENT = 1.645  # [1] normal quantile


@dataclass(frozen=True, kw_only=True, slots=True)
class Kendall:
    """The test's figures.

    Attributes:
        s: Concordant less discordant pairs [1].
        variance: Of s without a trend, with ties [1].
        z: Normal score with continuity correction [1].
        p_rising: Chance of s or more without a trend, one-sided [1].
        p_falling: Chance of s or less, one-sided [1].
    """

    s: int
    variance: float
    z: float
    p_rising: float
    p_falling: float

    @property
    def p_two_sided(self) -> float:
        """Give the two-sided chance [1]."""
        return min(1.0, 2.0 * min(self.p_rising, self.p_falling))


def mann_kendall(values: Sequence[float], *, lag1: float = 0.0) -> Kendall:
    """Test a series in time order for a monotone trend.

    Args:
        values: Two or more, oldest first.
        lag1: Lag-1 correlation of what a trend leaves over, for the normal case [1].

    Raises:
        ValueError: Fewer than two values have no order.

    Source:
        Mann 1945; Kendall 1975; tie term and continuity correction as in Gilbert 1987, chapter 16.
        Exact distribution: MacMahon's generating function of inversions of a multiset.
    """
    n = len(values)
    if n < 2:
        raise ValueError("a trend test needs at least two values")
    s = sum((later > v) - (later < v) for i, v in enumerate(values) for later in values[i + 1 :])
    ties = tuple(sorted(t for t in Counter(values).values() if t > 1))
    variance = s_variance(n, ties)
    z = 0.0 if s == 0 or variance == 0 else (s - (1 if s > 0 else -1)) / sqrt(variance)
    if n < EXACT_BELOW:
        p_rising, p_falling = _exact(n, ties, s)
    else:
        widened = sqrt(variance * (1 + lag1) / (1 - lag1)) if variance else 0.0
        p_rising = 1 - NormalDist().cdf((s - 1) / widened) if widened else 1.0
        p_falling = NormalDist().cdf((s + 1) / widened) if widened else 1.0
    return Kendall(s=s, variance=variance, z=z, p_rising=p_rising, p_falling=p_falling)


def s_variance(n: int, *tied: Sequence[int]) -> float:
    """Give the variance of s for n values with groups of ties (in either variable) [1]."""
    lost = sum(t * (t - 1) * (2 * t + 5) for ties in tied for t in ties)
    return (n * (n - 1) * (2 * n + 5) - lost) / 18


def lag1_correlation(residuals: Sequence[float]) -> float:
    """Give the lag-1 correlation where it is significantly positive, else 0 [1]; at most 0.9.

    Source:
        Significance at one side, 5 %: 1.645 / sqrt(n) (large-sample standard error of an autocorrelation).
    """
    n = len(residuals)
    if n < EXACT_BELOW:
        return 0.0
    centre = fmean(residuals)
    square = sum((r - centre) ** 2 for r in residuals)
    if square == 0:
        return 0.0
    pairs = pairwise(residuals)
    r1 = sum((a - centre) * (b - centre) for a, b in pairs) / square
    return min(r1, 0.9) if r1 > _ONE_SIDED_5_PERCENT / sqrt(n) else 0.0


def _exact(n: int, ties: tuple[int, ...], s: int) -> tuple[float, float]:
    """Give P(S >= s) and P(S <= s) over all orders of n values with these ties."""
    counts = _inversion_counts(n, ties)
    top = len(counts) - 1  # the number of pairs that are not tied
    total = sum(counts)
    rising = sum(c for i, c in enumerate(counts) if top - 2 * i >= s)
    falling = sum(c for i, c in enumerate(counts) if top - 2 * i <= s)
    return rising / total, falling / total


@lru_cache(maxsize=256)
def _inversion_counts(n: int, ties: tuple[int, ...]) -> tuple[int, ...]:
    """Give how many distinct orders have 0, 1, 2, ... discordant pairs: [n]_q! / prod [t]_q!."""
    counts = [1]
    for k in range(2, n + 1):
        counts = _times_q_number(counts, k)
    for tie in ties:
        for k in range(2, tie + 1):
            counts = _over_q_number(counts, k)
    return tuple(counts)


def _times_q_number(counts: list[int], k: int) -> list[int]:
    out = [0] * (len(counts) + k - 1)
    for i, c in enumerate(counts):
        for j in range(k):
            out[i + j] += c
    return out


def _over_q_number(counts: list[int], k: int) -> list[int]:
    out: list[int] = []
    for i in range(len(counts) - k + 1):
        out.append(counts[i] - sum(out[max(0, i - k + 1) : i]))
    return out
