"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

from math import sqrt

import pytest
from ebbmark_collector.judge.control import Side, cusum, ewma, ewma_limit

# NIST/SEMATECH e-Handbook, 6.3.2.3: means of samples, target 325, k 0.3175, h 4.1959.
MEANS = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
PRINTED_UPPER = [3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
# NIST/SEMATECH e-Handbook, 6.3.2.4: EWMA with weight 0.3 from 50, s 2.0539.
READINGS = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
PRINTED_EWMA = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_nist_cusum_signals_first_at_observation_14_on_the_upper_side() -> None:
    """The handbook's series passes its limit first at observation 14, and its sums are the printed ones."""
    chart = cusum(MEANS, target=325, slack=0.3175, limit=4.1959, side=Side.UPPER)

    assert chart.signal == 14 - 1
    assert chart.sums[12:] == pytest.approx(PRINTED_UPPER, abs=0.006)
    assert chart.began == 13 - 1


def test_nist_cusum_does_not_signal_on_the_lower_side() -> None:
    """The same series never falls: the lower sums stay as printed, at most 0.715."""
    chart = cusum(MEANS, target=325, slack=0.3175, limit=4.1959, side=Side.LOWER)

    assert chart.signal is None
    assert max(chart.sums) == pytest.approx(0.715)


def test_the_sides_mirror_each_other() -> None:
    """A series turned upside down signals on the other side at the same place."""
    flipped = cusum([650 - m for m in MEANS], target=325, slack=0.3175, limit=4.1959, side=Side.LOWER)

    assert flipped.signal == 13


def test_nist_ewma_and_its_limits() -> None:
    """The handbook's averages, and its limits 47.41 and 52.59, between which all of them lie."""
    averages = ewma(READINGS, start=50.0, weight=0.3)
    reach = ewma_limit(sigma=2.0539, weight=0.3)

    assert averages == pytest.approx(PRINTED_EWMA, abs=0.0051)
    assert 50 + reach == pytest.approx(52.5884, abs=5e-4)
    assert sqrt(0.3 / 1.7) == pytest.approx(0.42008, abs=5e-6)
    assert all(abs(a - 50) < reach for a in averages)
