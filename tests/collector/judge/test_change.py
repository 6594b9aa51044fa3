"""Baseline, a step down, and growth of scatter and stalls."""

from datetime import timedelta
from random import Random

import pytest
from ebbmark_collector.judge import outlook
from ebbmark_collector.judge.change import baseline, growth, step
from ebbmark_collector.judge.series import soak_series, spot_series

from tests.collector.judge.past import MB, NOW, a_past, a_role, a_soak, a_spot, days_ago, spots

ROLE = a_role()


def _noisy(level: float, count: int, seed: int, sigma: float = 0.02) -> list[float]:
    chance = Random(seed)
    return [level * (1 + chance.gauss(0, sigma)) for _ in range(count)]


def test_a_baseline_is_the_median_of_the_first_probes() -> None:
    """The first fortnight of spots makes the baseline, and one wild probe among them does not move it."""
    floors = [500 * MB] * 13 + [50 * MB] + [400 * MB] * 20

    base = baseline(spots(floors))

    assert base is not None
    assert base.median_bytes_per_s == 500 * MB
    assert base.count == 14


def test_two_probes_make_no_baseline() -> None:
    """Two readings are two readings."""
    assert baseline(spots([1.0, 1.0])) is None


def test_a_step_down_is_found_with_its_day_and_size() -> None:
    """A fall by a quarter that stays is a step since the first probe after it."""
    points = spots(_noisy(500 * MB, 60, 1) + _noisy(375 * MB, 10, 2))
    base = baseline(points)
    assert base is not None

    found = step(points, base)

    assert found is not None
    assert abs(found.since - points[60].at) <= timedelta(days=1)
    assert found.fall == pytest.approx(0.25, abs=0.03)


def test_one_wild_probe_is_no_step() -> None:
    """A single probe at a tenth of the rate does not make a step."""
    points = spots([*_noisy(500 * MB, 60, 3), 50 * MB])
    base = baseline(points)
    assert base is not None

    assert step(points, base) is None


def test_a_step_that_has_healed_is_none() -> None:
    """After enough probes at the old rate the step is over."""
    points = spots(_noisy(500 * MB, 40, 4) + _noisy(350 * MB, 5, 5) + _noisy(500 * MB, 100, 6))
    base = baseline(points)
    assert base is not None

    assert step(points, base) is None


def test_a_rise_is_no_step() -> None:
    """The chart looks down only: a drive that got faster is nobody's trouble."""
    points = spots(_noisy(300 * MB, 40, 7) + _noisy(500 * MB, 40, 8))
    base = baseline(points)
    assert base is not None

    assert step(points, base) is None


@pytest.mark.parametrize("seed", range(40))
def test_a_level_series_of_half_a_year_shows_no_step(seed: int) -> None:
    """Forty drives with nothing wrong, probed daily for half a year, raise nothing."""
    points = spots(_noisy(500 * MB, 180, seed, 0.03))
    base = baseline(points)
    assert base is not None

    assert step(points, base) is None


def test_scatter_that_grew_threefold_is_seen() -> None:
    """Growth is told as a ratio to the first probes."""
    assert growth([0.02, 0.021, 0.019] * 5 + [0.06] * 15) == pytest.approx(3, rel=0.1)


def test_scatter_that_did_not_grow_is_not() -> None:
    """The usual ups and downs are no growth, and too few probes tell nothing."""
    assert growth([0.02, 0.025, 0.018, 0.022] * 10) is None
    assert growth([0.02, 0.06]) is None


def test_only_like_is_compared_with_like() -> None:
    """A series leaves out other paths, other layouts and another fill."""
    alike = [a_spot(d, 500 * MB, fill_start=0.4) for d in (9, 5, 1)]
    others = [
        a_spot(8, 90 * MB, path_key="usb/elsewhere"),
        a_spot(7, 90 * MB, fill_start=0.9),
        a_spot(4, 90 * MB, fill_start=0.4, layout="appended"),
    ]

    assert spot_series(a_past(*alike, *others), NOW) == tuple(alike)


def test_a_probe_that_the_link_limited_stands_in_its_series_as_the_least_the_drive_gives() -> None:
    """Among slow nights it shows that the drive is no slower: left out, only the slow nights would remain."""
    nights = [a_spot(d, (530 if d % 2 else 190) * MB, path_limited=d % 2 == 1) for d in range(12, 0, -1)]

    series = spot_series(a_past(*nights), NOW)

    assert series == tuple(nights)
    slide = outlook(a_past(*nights), None, NOW).spot_slide
    assert slide is None or not slide.falling


def test_a_probe_that_began_unrested_is_not_compared_with_rested_ones() -> None:
    """The newest rested probe says what is like."""
    rested = [a_spot(d, 500 * MB, rest_before_s=9000.0) for d in (5, 2)]
    unrested = [a_spot(d, 120 * MB, rest_before_s=60.0) for d in (4, 1)]

    assert spot_series(a_past(*rested, *unrested), NOW) == tuple(rested)


def test_a_soak_is_not_compared_with_spots() -> None:
    """The series of soaks holds soaks."""
    soak = a_soak(ROLE, 3, 300 * MB)

    assert soak_series(a_past(soak, a_spot(1, 900 * MB))) == (soak,)
    assert days_ago(3) == soak.at
