"""Says how much a rate varies: a robust spread and a table of quantiles over equal slices of time."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ebbmark_agent.evidence.trace import Trace

SHARES = (0.0, 0.01, 0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95, 0.99, 1.0)  # [1] of the time
MAD_TO_SIGMA = 1.4826  # [1] for the normal distribution; Rousseeuw, Croux, JASA 88 (424), 1993
SLICE_S = 1.0  # [s] what a person calls the rate now
FEWEST_SLICES = 10  # [1] shorter traces are cut finer


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """How a rate varies over equal slices of time.

    Attributes:
        slice_s: How long a slice lasts [s].
        median_bytes_per_s: The middle rate [bytes/s].
        robust_share: 1.4826 times the median distance from the median, over the median [1]; None where the
            median is zero.
        quantiles: (share of the slices [1], the rate they do not exceed [bytes/s]), rising.
    """

    slice_s: float
    median_bytes_per_s: float
    robust_share: float | None
    quantiles: tuple[tuple[float, float], ...]


def quantile(ordered: Sequence[float], share: float) -> float:
    """Read a quantile, linear between order statistics.

    Args:
        ordered: Values in rising order, at least one.
        share: Between 0 and 1 [1].

    Returns:
        The value.

    Source: R. J. Hyndman, Y. Fan, Sample Quantiles in Statistical Packages, 1996, definition 7.
    """
    position = share * (len(ordered) - 1)
    index = min(int(position), len(ordered) - 2) if len(ordered) > 1 else 0
    if len(ordered) == 1:
        return ordered[0]
    return ordered[index] + (ordered[index + 1] - ordered[index]) * (position - index)


def median(values: Sequence[float]) -> float:
    """Give the middle of values in any order, the mean of both middles where they are even in number.

    Args:
        values: At least one value.

    Returns:
        The median.
    """
    return quantile(sorted(values), 0.5)


def slice_rates(trace: Trace, start_s: float, end_s: float, slice_s: float) -> list[float]:
    """Cut a stretch of a trace into equal slices and give their rates.

    Args:
        trace: The trace.
        start_s: Where to begin [s].
        end_s: Where to end; a rest shorter than a slice is left out at the begin [s].
        slice_s: How long a slice lasts [s].

    Returns:
        The rates in order [bytes/s].
    """
    count = max(1, int((end_s - start_s) / slice_s + 1e-9))
    first_s = max(start_s, end_s - count * slice_s)
    length_s = (end_s - first_s) / count
    marks = trace.bytes_at_all(first_s + index * length_s for index in range(count + 1))
    return [(after - before) / length_s for before, after in pairwise(marks)]


def spread(trace: Trace, start_s: float, end_s: float) -> Spread:
    """Measure how the rate varies over a stretch of a trace.

    Args:
        trace: The trace.
        start_s: Where the stretch begins [s].
        end_s: Where it ends [s].

    Returns:
        The spread over slices of a second, or of a tenth of a stretch shorter than ten seconds.
    """
    slice_s = min(SLICE_S, (end_s - start_s) / FEWEST_SLICES)
    rates = sorted(slice_rates(trace, start_s, end_s, slice_s))
    middle = median(rates)
    off = median([abs(rate - middle) for rate in rates])
    return Spread(
        slice_s=slice_s,
        median_bytes_per_s=middle,
        robust_share=MAD_TO_SIGMA * off / middle if middle > 0 else None,
        quantiles=tuple((share, quantile(rates, share)) for share in SHARES),
    )
