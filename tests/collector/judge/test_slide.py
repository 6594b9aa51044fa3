"""Slides: how steep, how sure, and when they meet a limit."""

from datetime import timedelta
from math import log
from random import Random

import pytest
from ebbmark_collector.judge import Limit, NoDate
from ebbmark_collector.judge.series import Dot, gathered
from ebbmark_collector.judge.slide import course, meets, slide
from hypothesis import given
from hypothesis import strategies as st

from tests.collector.judge.past import NOW


def _falling(count: int, every: float, share_a_day: float, noise: float = 0.0, seed: int = 0) -> list[Dot]:
    chance = Random(seed)
    return [
        Dot(day=-every * (count - 1 - i), ln=log(400) - share_a_day * every * i + chance.gauss(0, noise))
        for i in range(count)
    ]


def test_four_monthly_soaks_that_fall_together_are_enough() -> None:
    """With a soak a month a fall of 8 % each is told after four."""
    found = slide(_falling(4, 30, 0.0028), NOW)

    assert found is not None
    assert found.falling
    assert found.per_day == pytest.approx(-0.0028)


def test_of_three_points_one_low_one_is_a_reading_and_no_course() -> None:
    """A quarter less in the last of three may be gone at the next, unless the one before fell as well."""

    def found(*floors: float) -> bool:
        dots = [Dot(day=-15.0 * (2 - i), ln=log(floor)) for i, floor in enumerate(floors)]
        slid = slide(dots, NOW)
        assert slid is not None
        return slid.falling

    assert not found(325, 327, 249)
    assert found(325, 290, 249)


def test_two_points_have_no_slide() -> None:
    """Two soaks are no trend."""
    assert slide(_falling(2, 30, 0.01), NOW) is None


@pytest.mark.parametrize("seed", range(60))
def test_a_level_series_is_not_falling(seed: int) -> None:
    """Twelve monthly soaks of a drive with nothing wrong do not fall, whatever the noise dealt."""
    found = slide(_falling(12, 30, 0.0, noise=0.02, seed=seed), NOW)

    assert found is not None
    assert not (found.falling and found.per_day < -0.0005)


def test_a_rise_is_not_falling() -> None:
    """A series that rises has no date at which it falls below anything."""
    found = slide(_falling(12, 30, -0.003), NOW)

    assert found is not None
    assert meets(found, Limit.FLOOR_MEETS_DEMAND, 300).no_date is NoDate.NO_TREND


def test_the_likely_date_is_where_the_line_crosses() -> None:
    """From 400 x e^(-0.002 x 150) falling 0.2 % a day, 250 is met after (0.47 - 0.3) / 0.002 days."""
    trend = slide(_falling(6, 30, 0.002), NOW)

    meeting = meets(trend, Limit.FLOOR_MEETS_DEMAND, 250)

    assert meeting.likely is not None
    days = (meeting.likely - NOW) / timedelta(days=1)
    assert days == pytest.approx((log(400 / 250) - 0.3) / 0.002, abs=0.01)


@given(st.integers(0, 10_000))
def test_the_interval_holds_the_likely_date(seed: int) -> None:
    """Earliest comes before likely, and likely before latest."""
    trend = slide(_falling(8, 30, 0.002, noise=0.02, seed=seed), NOW)
    meeting = meets(trend, Limit.FLOOR_MEETS_DEMAND, 200)

    if meeting.likely is not None:
        assert meeting.earliest is not None
        assert NOW <= meeting.earliest <= meeting.likely
        assert meeting.latest is None or meeting.likely <= meeting.latest


def test_a_level_already_beneath_meets_it_now() -> None:
    """What lies beneath the limit has met it."""
    assert meets(slide(_falling(6, 30, 0.002), NOW), Limit.FLOOR_MEETS_DEMAND, 390).likely == NOW


def test_too_few_is_an_answer() -> None:
    """Without a slide there is no date, and it says why."""
    assert meets(None, Limit.FLOOR_MEETS_DEMAND, 300).no_date is NoDate.TOO_FEW


def test_gathering_takes_a_weeks_upper_quartile_and_leaves_gaps() -> None:
    """Each week counts once, at its better readings; a week without a probe stays empty."""
    dots = [Dot(day=float(d), ln=float(d)) for d in (-20, -19, -18, -3, -2, -1, 0)]

    assert gathered(dots) == (Dot(day=-19.0, ln=-18.0), Dot(day=-1.5, ln=-1.0))


def test_three_slow_nights_in_a_week_do_not_move_it() -> None:
    """What meets a probe by chance only slows it, so the better nights tell the level."""
    slow = {-5.0, -2.0, -1.0}
    dots = [Dot(day=float(d), ln=-1.0 if float(d) in slow else 0.0) for d in range(-20, 1)]

    assert all(d.ln == 0.0 for d in gathered(dots))


def test_a_week_with_a_single_probe_among_full_ones_is_left_out() -> None:
    """One slow night is a reading, not a week."""
    dots = [Dot(day=float(d), ln=0.0) for d in range(-30, -10)] + [Dot(day=0.0, ln=-2.0)]

    assert all(d.ln == 0.0 for d in gathered(dots))


def test_a_drive_that_was_level_for_long_is_judged_by_its_newest_points() -> None:
    """Six level months and two of falling by 9 %: the course is the fall, not the average of all."""
    level = [Dot(day=-30.0 * (7 - i), ln=log(350) + 0.01 * (-1) ** i) for i in range(6)]
    falling = [Dot(day=-30.0, ln=log(320)), Dot(day=0.0, ln=log(290))]

    found = course([*level, *falling], NOW)

    assert found is not None
    assert found.falling
    assert found.per_day == pytest.approx(log(290 / 320) / 30, rel=0.3)


def test_two_weeks_of_spots_make_no_course_where_three_are_asked_for() -> None:
    """Two low weeks say that something fell; how fast it goes on, only a third can tell."""
    level = [Dot(day=-7.0 * (11 - i), ln=log(350) + 0.01 * (-1) ** i) for i in range(10)]
    falling = [Dot(day=-7.0, ln=log(330)), Dot(day=0.0, ln=log(290))]

    two, three = course([*level, *falling], NOW), course([*level, *falling], NOW, least=3)

    assert two is not None
    assert two.falling
    assert three is not None
    assert not three.falling or three.per_day > two.per_day / 1.5


def test_two_soaks_soon_after_each_other_make_no_course_by_themselves() -> None:
    """A fall within a week is a fall; over how many weeks it goes on, a later soak tells."""
    level = [Dot(day=-7.0 - 30.0 * (6 - i), ln=log(350) + 0.01 * (-1) ** i) for i in range(6)]
    falling = [Dot(day=-7.0, ln=log(345)), Dot(day=0.0, ln=log(290))]

    near, far = course([*level, *falling], NOW), course([*level, *falling], NOW, least_days=21)

    assert near is not None
    assert near.falling
    assert far is not None
    assert not far.falling or far.per_day > near.per_day / 3


def test_a_step_that_has_come_to_rest_is_no_course() -> None:
    """Fallen once and level since: there is no date ahead."""
    dots = [Dot(day=-30.0 * (9 - i), ln=log(350) + 0.01 * (-1) ** i) for i in range(5)]
    dots += [Dot(day=-30.0 * (9 - i), ln=log(290) + 0.01 * (-1) ** i) for i in range(5, 10)]

    meeting = meets(course(dots[:7], NOW), Limit.FLOOR_MEETS_RATE, 200)

    assert meeting.no_date is not None or meeting.likely is not None
    assert not _falls_soon(dots)


def _falls_soon(dots: list[Dot]) -> bool:
    found = course(dots, NOW)
    return found is not None and found.falling and found.per_day < -0.002


def test_daily_probes_that_drift_together_do_not_pass_for_a_trend() -> None:
    """Serially correlated noise without a trend is rarely called falling once gathered (at most 1 of 10)."""
    called = 0
    for seed in range(100):
        chance, level, dots = Random(seed), 0.0, []
        for day in range(-180, 1):
            level = 0.9 * level + chance.gauss(0, 0.01)
            dots.append(Dot(day=float(day), ln=level))
        found = slide(gathered(dots), NOW, noise=0.03)
        called += found is not None and found.falling

    assert called <= 10
