"""Medians and scatter that a few wild values do not move."""

from collections.abc import Sequence
from statistics import median

MAD_TO_SIGMA = 1.4826  # [1] 1 / Phi^-1(3/4): the MAD of a normal distribution times this is its sigma


def mad_sigma(values: Sequence[float]) -> float:
    """Give the scatter as a standard deviation: 1.4826 times the median absolute deviation [unit of values].

    Args:
        values: At least one value.

    Raises:
        ValueError: Without a value there is no scatter.
    """
    if not values:
        raise ValueError("a scatter needs at least one value")
    centre = median(values)
    return MAD_TO_SIGMA * median([abs(v - centre) for v in values])
