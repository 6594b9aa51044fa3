"""Control charts: the one-sided CUSUM for a step, the EWMA for slow growth. The caller takes the side."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt


class Side(StrEnum):
    """Which way a departure is looked for."""

    LOWER = "lower"
    UPPER = "upper"


@dataclass(frozen=True, kw_only=True, slots=True)
class Cusum:
    """The running sums, and the index of the first that passed the limit (None: none did)."""

    sums: tuple[float, ...]
    signal: int | None

    @property
    def began(self) -> int | None:
        """Give the index of the first value of the run that led to the signal."""
        if self.signal is None:
            return None
        start = self.signal
        while start > 0 and self.sums[start - 1] > 0:
            start -= 1
        return start


def cusum(values: Sequence[float], *, target: float, slack: float, limit: float, side: Side) -> Cusum:
    """Sum how far the values lie beyond target and slack on one side, restarting at zero.

    Args:
        values: Oldest first.
        target: What they should be.
        slack: Half the shift worth noticing (k), in the unit of the values.
        limit: The sum that signals (h), in the unit of the values; it signals above, not at.
        side: LOWER finds a fall, UPPER a rise.

    Source:
        NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    sign = 1.0 if side is Side.UPPER else -1.0
    sums: list[float] = []
    total = 0.0
    for value in values:
        total = max(0.0, total + sign * (value - target) - slack)
        sums.append(total)
    return Cusum(sums=tuple(sums), signal=next((i for i, s in enumerate(sums) if s > limit), None))


def ewma(values: Sequence[float], *, start: float, weight: float) -> tuple[float, ...]:
    """Give the exponentially weighted moving average after each value.

    Args:
        values: Oldest first.
        start: The average before the first.
        weight: Of the newest value, above 0 and at most 1 [1].

    Source:
        NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    """
    averages = [start]
    for value in values:
        averages.append(weight * value + (1 - weight) * averages[-1])
    return tuple(averages[1:])


def ewma_limit(*, sigma: float, weight: float, width: float = 3.0) -> float:
    """Give how far an EWMA may stray from its start: width sigma sqrt(weight / (2 - weight)).

    Source:
        NIST/SEMATECH e-Handbook, 6.3.2.4, the limit for long series.
    """
    return width * sigma * sqrt(weight / (2 - weight))
