"""Trend tests against published worked examples, exact tables and reference libraries."""

from collections import Counter
from itertools import permutations

import pymannkendall
import pytest
from ebbmark_collector.judge.kendall import mann_kendall, s_variance
from ebbmark_collector.judge.theil_sen import theil_sen
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import kendalltau, theilslopes

GROUNDWATER = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]


@pytest.mark.parametrize(
    ("values", "s", "variance", "z"),
    [
        # Row sums -4, +2, -2, -1 as in the Wisconsin guidance's form; variance by the formula.
        pytest.param([100, 50, 85, 75, 50], -5, 47 / 3, -1.0106, id="one tie, falling"),
        # Ties 14x3, 17x2, 39x4, as in EarthSoft's help page; variance by the formula.
        pytest.param([17, 14, 39, 16, 39, 14, 14, 39, 17, 39], 7, 335 / 3, 0.5678, id="three groups of ties"),
        # EPA QA/G-9 (from memory); S, variance and Z by the formula.
        pytest.param([5, 6, 11, 8, 10], 6, 50 / 3, 1.2247, id="five values"),
        pytest.param(GROUNDWATER, 22, 466 / 3, 1.6849, id="eleven values with ties"),
        # Helsel and Hirsch (from memory); S and variance by the formula.
        pytest.param([1, 2, 3, 4, 5, 16, 7], 19, 133 / 3, 2.7034, id="one outlier"),
    ],
)
def test_published_examples_of_mann_kendall(values: list[float], s: int, variance: float, z: float) -> None:
    """S, its variance with ties and Z are those of the published examples."""
    test = mann_kendall(values)

    assert test.s == s
    assert test.variance == pytest.approx(variance)
    assert test.z == pytest.approx(z, abs=5e-5)


def test_the_exact_chance_of_five_values() -> None:
    """EPA QA/G-9's five values (from memory): 14 of the 120 orders have S of 6 or more."""
    assert mann_kendall([5, 6, 11, 8, 10]).p_rising == pytest.approx(14 / 120)


@pytest.mark.parametrize(
    ("n", "ten_percent", "five_percent", "one_percent"),
    [
        (4, 6, 6, None),
        (5, 8, 8, 10),
        (6, 9, 11, 13),
        (7, 11, 13, 17),
        (8, 12, 16, 20),
        (9, 14, 18, 24),
    ],
)
def test_the_exact_critical_table(
    n: int, ten_percent: int, five_percent: int, one_percent: int | None
) -> None:
    """One-sided critical S for n below ten (EarthSoft's table; its 10 % column differs by parity)."""
    chances = {mann_kendall(order).s: mann_kendall(order).p_rising for order in _orders_with_every_s(n)}

    for level, critical in ((0.10, ten_percent), (0.05, five_percent), (0.01, one_percent)):
        significant = [s for s, p in chances.items() if p <= level]
        assert min(significant, default=None) == critical


def _orders_with_every_s(n: int) -> list[list[int]]:
    """Give one order for each possible S: start sorted, and swap neighbours until reversed."""
    order = list(range(n))
    found = [order[:]]
    for end in range(n - 1, 0, -1):
        for i in range(end):
            order[i], order[i + 1] = order[i + 1], order[i]
            found.append(order[:])
    return found


@given(st.lists(st.integers(0, 4), min_size=2, max_size=6))
def test_exact_chances_with_ties_are_those_of_all_orders(values: list[int]) -> None:
    """Below ten values the chance is counted over every order of the very values, ties and all."""
    test = mann_kendall(values)
    scores = [mann_kendall(order).s for order in permutations(values)]

    assert test.p_rising == pytest.approx(sum(s >= test.s for s in scores) / len(scores))
    assert test.p_falling == pytest.approx(sum(s <= test.s for s in scores) / len(scores))


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=9, unique=True))
def test_exact_chances_without_ties_are_scipys(values: list[float]) -> None:
    """Without ties the two-sided chance is that of scipy's exact Kendall test against time."""
    theirs = kendalltau(range(len(values)), values, method="exact").pvalue

    assert mann_kendall(values).p_two_sided == pytest.approx(theirs)


@given(st.lists(st.integers(-20, 20), min_size=10, max_size=40))
def test_large_samples_are_pymannkendalls(values: list[int]) -> None:
    """From ten values on S, variance, Z and the two-sided chance are pymannkendall's."""
    assume(len(set(values)) > 1)
    theirs = pymannkendall.original_test(values)
    ours = mann_kendall(values)

    assert ours.s == theirs.s
    assert ours.variance == pytest.approx(theirs.var_s)
    assert ours.z == pytest.approx(theirs.z)
    assert ours.p_two_sided == pytest.approx(theirs.p, abs=1e-9)


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(-30, 30)), min_size=2, max_size=25),
    st.sampled_from([0.8, 0.9, 0.95]),
)
def test_theil_sen_is_scipys(points: list[tuple[int, int]], confidence: float) -> None:
    """Slope and Sen's interval are those of scipy.stats.theilslopes, with uneven spacing and ties."""
    x, y = [p[0] for p in points], [p[1] for p in points]
    # With nearly everything tied scipy's variance is negative and its interval is not defined.
    assume(len(set(x)) > 1 and s_variance(len(x), _ties(x), _ties(y)) >= 0)
    theirs = theilslopes(y, x, alpha=confidence)
    ours = theil_sen(x, y, confidence=confidence)

    assert ours.slope == pytest.approx(theirs.slope)
    assert ours.low == pytest.approx(theirs.low_slope)
    assert ours.high == pytest.approx(theirs.high_slope)


def _ties(values: list[int]) -> list[int]:
    return [n for n in Counter(values).values() if n > 1]


def test_one_outlier_does_not_move_the_slope() -> None:
    """Helsel and Hirsch's example (from memory): 16 in place of 6 leaves the slope at exactly 1."""
    assert theil_sen(range(1, 8), [1, 2, 3, 4, 5, 16, 7]).slope == 1.0


@pytest.mark.parametrize(
    ("values", "slope"),
    [([100, 50, 85, 75, 50], -55 / 6), ([5, 6, 11, 8, 10], 9 / 8)],
)
def test_sen_slopes_of_the_examples(values: list[float], slope: float) -> None:
    """Sen's slopes of the published series, as pymannkendall computes them."""
    assert theil_sen(range(len(values)), values).slope == pytest.approx(slope)
    assert pymannkendall.sens_slope(values).slope == pytest.approx(slope)
