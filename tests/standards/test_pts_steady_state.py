"""The steady-state test of the solid-state storage performance test specification.

Source: SNIA Solid State Storage Performance Test Specification (PTS) v2.0.2, 1 October 2020, 2.1.13 and
2.1.24. The standard prints no numeric example; the rows are computed from its definition.
"""

import numpy as np
import pytest
from ebbmark_agent.evidence import steady_state
from hypothesis import given
from hypothesis import strategies as st

ROWS = [
    pytest.param([100, 98, 102, 99, 101], (100, 4, 0.3, 1.2), True, id="steady"),
    pytest.param([90, 110, 100, 100, 100], (100, 20, 1.0, 4.0), True, id="range at its edge"),
    pytest.param([95, 97, 100, 103, 105], (100, 10, 2.6, 10.4), False, id="slope only, rising"),
    pytest.param([107, 104, 100, 97, 93], (100.2, 14, -3.5, 14.0), False, id="slope only, falling"),
    pytest.param([100, 100, 100, 100, 121], (104.2, 21, 4.2, 16.8), False, id="both"),
    pytest.param([120, 110, 100, 95, 90], (103, 30, -7.5, 30.0), False, id="both, falling"),
]


@pytest.mark.parametrize(("rounds", "numbers", "held"), ROWS)
def test_the_rows_computed_from_the_definition(rounds, numbers, held):
    """Average, range, slope, fitted excursion and verdict of a row are those of the definition."""
    average, spread, slope, fit = numbers

    found = steady_state(rounds)

    assert found.average_bytes_per_s == pytest.approx(average)
    assert found.measured_range_bytes_per_s == pytest.approx(spread)
    assert found.allowed_range_bytes_per_s == pytest.approx(0.2 * average)
    assert found.slope_bytes_per_s == pytest.approx(slope)
    assert found.measured_fit_bytes_per_s == pytest.approx(fit)
    assert found.allowed_fit_bytes_per_s == pytest.approx(0.1 * average)
    assert found.held is held


def test_a_fitted_excursion_of_just_ten_percent_holds():
    """A fitted line that rises by exactly 10 % of the average is steady; a little more is not."""
    assert steady_state([95.0, 97.5, 100.0, 102.5, 105.0]).held
    assert not steady_state([94.9, 97.5, 100.0, 102.5, 105.1]).held


def test_a_range_of_just_over_twenty_percent_does_not_hold():
    """A range over 20 % of the average by one part in a thousand is not steady."""
    assert not steady_state([90.0, 110.02, 100.0, 100.0, 99.98]).held


def test_nothing_written_is_not_steady():
    """Five rounds without a byte are no steady state."""
    assert not steady_state([0, 0, 0, 0, 0]).held


@pytest.mark.parametrize("count", [0, 4, 6])
def test_only_five_rounds_make_a_window(count):
    """The measurement window is five rounds; any other number is refused."""
    with pytest.raises(ValueError, match="5 rounds"):
        steady_state([100.0] * count)


@given(st.lists(st.floats(1.0, 1e10), min_size=5, max_size=5))
def test_the_line_is_that_of_a_reference_library(rounds):
    """Slope and intercept are those numpy's least squares gives for rounds 0 to 4."""
    design = np.column_stack([np.ones(5), np.arange(5)])
    (intercept, slope), *_ = np.linalg.lstsq(design, np.array(rounds), rcond=None)

    found = steady_state(rounds)

    scale = max(rounds)
    assert found.slope_bytes_per_s == pytest.approx(slope, abs=1e-9 * scale)
    assert found.intercept_bytes_per_s == pytest.approx(intercept, abs=1e-9 * scale)


@given(st.lists(st.integers(1, 10**6), min_size=5, max_size=5), st.integers(1, 1000))
def test_the_unit_does_not_matter(rounds, factor):
    """Whether rounds are steady does not change with the unit they are given in."""
    assert steady_state(rounds).held is steady_state([rate * factor for rate in rounds]).held
