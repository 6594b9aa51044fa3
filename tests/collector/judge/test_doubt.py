"""A soak beneath the rate that may be chance: a drive with little to spare, whose soaks differ by as much."""

from math import exp, sqrt

import pytest
from ebbmark_collector.judge.doubt import MOST_LOW, SURE_SIGMAS, scatter_explains
from hypothesis import assume, given
from hypothesis import strategies as st

from tests.collector.judge.past import MB, NOW, a_past, a_role, a_soak

RATE_MB = 200.0
ROLE = a_role(rate=RATE_MB * MB)
THIN = (222.0, 245.0, 215.0, 250.0, 212.0, 240.0)  # [MB/s] about 230, a tenth up or down
USUAL_MB = 230.8  # [MB/s] the median of their logarithms: the root of 222 times 240
SIGMA = 0.0973  # [1] by hand: 1.4826 times the median of |ln(x / 230.8)|, half of 0.0599 and 0.0710 together


def explained(*floors_mb: float) -> bool:
    """Tell it of a drive soaked every thirty days, the last time an hour ago."""
    soaks = [a_soak(ROLE, 0.05 + 30 * i, floor * MB) for i, floor in enumerate(reversed(floors_mb))]
    return scatter_explains(a_past(*soaks), RATE_MB * MB, NOW)


def test_one_soak_beneath_the_rate_is_in_doubt_where_soaks_always_differed_so() -> None:
    """It came down by a sixth, and the soaks before differ by a tenth and more from one to the next."""
    assert explained(*THIN, 193)


def test_a_fall_that_no_scatter_makes_is_believed_at_once() -> None:
    """Half of it gone in one soak, or beneath the rate after soaks that never differed."""
    assert not explained(*THIN, 115)
    assert not explained(230, 231, 230, 229, 230, 231, 193)


def test_the_limit_lies_where_the_soaks_own_scatter_puts_it() -> None:
    """Three sigma of the difference: one against six, and the mean of two against six."""
    one = USUAL_MB * exp(-SURE_SIGMAS * SIGMA * sqrt(1 + 1 / 6))
    two = USUAL_MB * exp(-SURE_SIGMAS * SIGMA * sqrt(1 / 2 + 1 / 6))

    assert (explained(*THIN, one * 1.01), explained(*THIN, one * 0.99)) == (True, False)
    assert (explained(*THIN, two * 1.01, two * 1.01), explained(*THIN, two * 0.99, two * 0.99)) == (
        True,
        False,
    )


def test_two_soaks_that_differ_say_less_than_many_do() -> None:
    """A difference of two scatters sqrt(2) times as widely as one: 3 x 1.3 x 0.04 x sqrt(2) = 0.22."""
    assert explained(240, 240 * exp(-0.21))
    assert not explained(240, 240 * exp(-0.23))


def test_three_in_a_row_are_believed_however_little_they_lie_beneath() -> None:
    """Whoever tests a drive three times with the same outcome believes it."""
    assert explained(*THIN, *[199] * MOST_LOW)
    assert not explained(*THIN, *[199] * (MOST_LOW + 1))


@pytest.mark.parametrize(
    "floors",
    [(193,), (240, 193, 220), (193, 190, 196, 193), (240, 230, 250, 240, 0)],
    ids=["its first", "carries the rate again", "never carried it", "stood still"],
)
def test_nothing_is_in_doubt_where_nothing_says_what_is_usual(floors: tuple[float, ...]) -> None:
    """Too few soaks before, none that carried the rate, or a drive that stood still."""
    assert not explained(*floors)


@given(
    before=st.lists(st.floats(min_value=150, max_value=400), min_size=2, max_size=8),
    low=st.floats(min_value=20, max_value=199),
    higher=st.floats(min_value=20, max_value=199),
)
def test_a_lower_soak_is_never_more_in_doubt(before: list[float], low: float, higher: float) -> None:
    """What is believed of one floor is believed of every lower one."""
    assume(before[-1] >= RATE_MB)
    low, higher = min(low, higher), max(low, higher)

    assert explained(*before, higher) or not explained(*before, low)
