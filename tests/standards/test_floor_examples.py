"""The floor's worked examples, derived from the backlog bound of network calculus.

Source: J.-Y. Le Boudec, P. Thiran, Network Calculus, LNCS 2050, Springer 2001, theorem 1.4.1 (from memory);
the examples are worked by hand from R*(B) = min over s < t of (S(t) - S(s) + B) / (t - s), with S linear
between points. Rates are in MB/s for each second, buffers in MB.
"""

from fractions import Fraction
from itertools import accumulate

import pytest
from ebbmark_agent.evidence import Trace, floor
from ebbmark_agent.evidence.windows import tightest_for_bytes

TWO_DIPS = [400, 400, 100, 100, 400, 400]
FULL_STALL = [500] * 10 + [0] * 2 + [500] * 18
CACHE_CLIFF = [2000] * 40 + [300] * 80
REGULAR_STALLS = ([600] * 9 + [0]) * 6

EXAMPLES = [
    pytest.param(TWO_DIPS, 0, Fraction(100), [(2, 3), (3, 4)], id="A, no buffer"),
    pytest.param(TWO_DIPS, 50, Fraction(125), [(2, 4)], id="A, 50"),
    pytest.param(TWO_DIPS, 100, Fraction(150), [(2, 4)], id="A, 100"),
    pytest.param(TWO_DIPS, 200, Fraction(200), [(2, 4)], id="A, 200"),
    pytest.param(TWO_DIPS, 300, Fraction(250), [(2, 4)], id="A, 300"),
    pytest.param(TWO_DIPS, 400, Fraction(300), [(2, 4)], id="A, 400"),
    pytest.param(TWO_DIPS, 600, Fraction(400), None, id="A, 600, a tie"),
    pytest.param(TWO_DIPS, 1000, Fraction(1400, 3), [(0, 6)], id="A, 1000, whole trace"),
    pytest.param(FULL_STALL, 0, Fraction(0), None, id="B, no buffer"),
    pytest.param(FULL_STALL, 100, Fraction(50), [(10, 12)], id="B, 100"),
    pytest.param(FULL_STALL, 442, Fraction(221), [(10, 12)], id="B, 442"),
    pytest.param(FULL_STALL, 900, Fraction(450), [(10, 12)], id="B, 900"),
    pytest.param(FULL_STALL, 1000, Fraction(500), None, id="B, 1000, a tie"),
    pytest.param(FULL_STALL, 1100, Fraction(1510, 3), [(0, 30)], id="B, 1100, whole trace"),
    pytest.param(CACHE_CLIFF, 0, Fraction(300), None, id="C, no buffer"),
    pytest.param(CACHE_CLIFF, 500, Fraction(1225, 4), [(40, 120)], id="C, 500"),
    pytest.param(CACHE_CLIFF, 1000, Fraction(625, 2), [(40, 120)], id="C, 1000"),
    pytest.param(CACHE_CLIFF, 8000, Fraction(400), [(40, 120)], id="C, 8000"),
    pytest.param(REGULAR_STALLS, 100, Fraction(100), None, id="D, 100"),
    pytest.param(REGULAR_STALLS, 540, Fraction(540), None, id="D, 540"),
    pytest.param(REGULAR_STALLS, 600, Fraction(9200, 17), [(9, 60)], id="D, 600"),
]


def points(rates: list[int]) -> tuple[list[Fraction], list[Fraction]]:
    """Give the exact points of rates that last one second each."""
    totals = [Fraction(0), *map(Fraction, accumulate(rates))]
    return [Fraction(second) for second in range(len(totals))], totals


@pytest.mark.parametrize(("rates", "buffer_mb", "expected", "windows"), EXAMPLES)
def test_the_search_is_exact_in_fractions(rates, buffer_mb, expected, windows):
    """The window found for a worked example has exactly the worked rate, as a fraction."""
    times, totals = points(rates)

    window = tightest_for_bytes(times, totals, Fraction(buffer_mb))

    assert expected == window.carries(Fraction(buffer_mb))
    assert windows is None or (window.start_s, window.end_s) in windows


@pytest.mark.parametrize(("rates", "buffer_mb", "expected", "windows"), EXAMPLES)
def test_the_floor_gives_the_worked_rate(rates, buffer_mb, expected, windows):
    """The uncapped floor of a worked example in bytes is the worked rate."""
    trace = Trace.from_points(range(len(rates) + 1), [0, *(mb * 10**6 for mb in accumulate(rates))])

    found = floor(trace, buffer_bytes=buffer_mb * 10**6)

    assert found.uncapped_bytes_per_s == pytest.approx(float(expected) * 1e6, rel=1e-12)
    assert windows is None or found.window_s in windows


def test_a_buffer_adds_nothing_to_a_constant_rate():
    """A constant 60 MB/s read over 10 s with a second of buffer is 66.7 uncapped and 60 as a floor."""
    trace = Trace.from_points([0, 10], [0, 600_000_000])

    found = floor(trace, buffer_s=1)

    assert found.uncapped_bytes_per_s == pytest.approx(600e6 / 9)
    assert found.bytes_per_s == pytest.approx(60e6)
    assert found.limited_by_length


def test_the_cache_cliff_is_judged_by_its_floor():
    """After a cliff from 2000 to 300 the floor is 300 whatever the buffer, and its window touches the end."""
    trace = Trace.from_points(range(121), [0, *(mb * 10**6 for mb in accumulate(CACHE_CLIFF))])

    found = floor(trace, buffer_bytes=8_000_000_000)

    assert found.bytes_per_s == pytest.approx(300e6)
    assert found.lasting_bytes_per_s == pytest.approx(300e6)
    assert found.window_touches_end
    assert not found.limited_by_length


def test_a_buffer_in_seconds_is_the_same_buffer_in_bytes():
    """The floor for a buffer of tau seconds is the floor for that rate times tau bytes."""
    trace = Trace.from_points(range(7), [0, *(mb * 10**6 for mb in accumulate(TWO_DIPS))])

    in_seconds = floor(trace, buffer_s=1)
    in_bytes = floor(trace, buffer_bytes=in_seconds.uncapped_bytes_per_s * 1)

    assert in_seconds.uncapped_bytes_per_s == pytest.approx(200e6)  # 200 MB in two seconds less one
    assert in_bytes.uncapped_bytes_per_s == pytest.approx(200e6)


def test_no_window_outlasts_a_buffer_as_long_as_the_trace():
    """A buffer of the trace's length leaves no window: no bare minimum, and the length is what limits."""
    trace = Trace.from_points(range(7), [0, *(mb * 10**6 for mb in accumulate(TWO_DIPS))])

    found = floor(trace, buffer_s=6)

    assert found.uncapped_bytes_per_s is None
    assert found.window_s is None
    assert found.limited_by_length
    assert found.bytes_per_s == pytest.approx(300e6)


def test_only_windows_within_a_take_count():
    """For takes of 1.5 s only windows up to 1.5 s count, also those that begin or end between points."""
    trace = Trace.from_points(range(7), [0, *(mb * 10**6 for mb in accumulate(TWO_DIPS))])

    found = floor(trace, buffer_bytes=300_000_000, take_s=1.5)

    assert found.uncapped_bytes_per_s == pytest.approx((150 + 300) / 1.5 * 1e6)
