"""Outlook, wear, siblings and the replacement plan."""

from dataclasses import replace
from datetime import timedelta

import pytest
from ebbmark_agent.evidence.standing import Standing as Word
from ebbmark_collector.judge import (
    Likeness,
    Limit,
    Meeting,
    NoDate,
    Outlook,
    Siblings,
    compare,
    outlook,
    plan,
)
from ebbmark_collector.judge.history import ProbePoint
from ebbmark_collector.judge.wear import growth_per_week

from tests.collector.judge.past import MB, NOW, a_health, a_past, a_role, a_soak, a_spot, days_ago, spots

ROLE = a_role()  # 200 MB/s, 240 asked


def _days(meeting: Meeting | None) -> float:
    assert meeting is not None
    assert meeting.likely is not None
    return (meeting.likely - NOW) / timedelta(days=1)


def test_falling_soaks_have_a_date_for_the_demand_and_a_later_one_for_the_rate() -> None:
    """340 MB/s falling 6 % a month meets 240 some 2.6 months and 200 some 5.5 months after the last soak."""
    soaks = [a_soak(ROLE, 30 * (5 - i), 340 * MB * 0.94**i) for i in range(6)]

    seen = outlook(a_past(*soaks), ROLE, NOW)

    assert _days(seen.meeting(Limit.FLOOR_MEETS_DEMAND)) == pytest.approx(19, abs=2)
    assert _days(seen.meeting(Limit.FLOOR_MEETS_RATE)) == pytest.approx(107, abs=3)


def test_level_soaks_have_no_date() -> None:
    """No trend is an answer."""
    soaks = [a_soak(ROLE, 30 * i, (300 + i % 2) * MB) for i in range(6)]

    meeting = outlook(a_past(*soaks), ROLE, NOW).meeting(Limit.FLOOR_MEETS_DEMAND)

    assert meeting is not None
    assert meeting.no_date is NoDate.NO_TREND


def test_the_figure_beside_a_date_is_that_of_the_course_on_the_same_day() -> None:
    """Forty days after a soak of 77 MB/s a fast fall has reached 56: not 77 MB/s that meet 56 today."""
    role = a_role(rate=45 * MB, headroom=1.25)
    soaks = [a_soak(role, 40 + 45 * i, 77 * MB * 1.45**i) for i in range(4)]

    meeting = outlook(a_past(*soaks), role, NOW).meeting(Limit.FLOOR_MEETS_DEMAND)

    assert meeting is not None
    assert _days(meeting) == pytest.approx(0, abs=3)
    assert meeting.value_now == pytest.approx(meeting.limit_value, rel=0.05)


def test_a_hot_dip_of_a_greedy_soak_is_not_carried_to_the_rate() -> None:
    """It lasts at twice what is asked and falls by 8 % a month: its dips do not bring the date nearer."""
    soaks = [
        a_soak(
            ROLE,
            1 + 30 * i,
            250 * MB,
            lasting_bytes_per_s=600 * MB * 1.08**i,
            mean_bytes_per_s=800 * MB,
            temperature_hottest_c=86.0,
        )
        for i in range(6)
    ]
    cool = [replace(p, temperature_hottest_c=50.0) for p in soaks]

    assert _days(outlook(a_past(*soaks), ROLE, NOW).meeting(Limit.FLOOR_MEETS_RATE)) > 300
    assert _days(outlook(a_past(*cool), ROLE, NOW).meeting(Limit.FLOOR_MEETS_RATE)) < 150


def test_dips_that_come_and_go_in_greedy_soaks_are_no_course() -> None:
    """A dip that deepens with summer while the drive lasts at the same rate has no date."""
    dips = (500, 420, 360, 310)
    soaks = [a_soak(ROLE, 30 * (3 - i), f * MB, lasting_bytes_per_s=560 * MB) for i, f in enumerate(dips)]

    meeting = outlook(a_past(*soaks), ROLE, NOW).meeting(Limit.FLOOR_MEETS_RATE)

    assert meeting is not None
    assert meeting.no_date is NoDate.NO_TREND


def test_a_lasting_rate_that_falls_is_dated_at_the_height_of_the_floor() -> None:
    """What the soak lasts at gives the slope, and its floor, a tenth lower, gives the height."""
    lasted = [340 * MB * 0.94**i for i in range(6)]
    soaks = [a_soak(ROLE, 30 * (5 - i), 0.9 * f, lasting_bytes_per_s=f) for i, f in enumerate(lasted)]

    seen = outlook(a_past(*soaks), ROLE, NOW)

    assert _days(seen.meeting(Limit.FLOOR_MEETS_RATE)) == pytest.approx(56, abs=3)


def test_spots_that_drift_by_a_few_percent_carry_no_date_to_a_thin_margin() -> None:
    """Five percent of drift in the cache, however steady, is not carried to the floor past it."""
    drift = [900 * MB * 0.9992**i for i in range(70)]
    past = a_past(a_soak(ROLE, 30, 250 * MB), *spots(drift))

    meeting = outlook(past, ROLE, NOW).meeting(Limit.FLOOR_MEETS_DEMAND)

    assert meeting is not None
    assert meeting.likely is None


def test_spots_that_fell_since_the_soak_lower_the_estimated_floor() -> None:
    """Spots at 60 % of what they were when the soak ran let expect 60 % of its floor."""
    past = a_past(a_soak(ROLE, 30, 300 * MB), *spots([900 * MB] * 20 + [540 * MB] * 20))

    assert outlook(past, ROLE, NOW).floor_now_bytes_per_s == pytest.approx(180 * MB)


def test_faster_spots_do_not_raise_the_estimated_floor() -> None:
    """The estimate never goes above what the soak showed."""
    past = a_past(a_soak(ROLE, 30, 300 * MB), *spots([500 * MB] * 20 + [900 * MB] * 20))

    assert outlook(past, ROLE, NOW).floor_now_bytes_per_s == 300 * MB


def test_wear_meets_its_limit_on_its_course() -> None:
    """From 50 to 80 % in 300 days, 100 % is met in some 200."""
    reads = tuple(a_health(300 - d, percentage_used=50 + d // 10) for d in range(0, 301, 5))

    meeting = outlook(a_past(health=reads), ROLE, NOW).meeting(Limit.WEAR_MEETS_LIMIT)

    assert _days(meeting) == pytest.approx(200, abs=12)
    assert meeting is not None
    assert meeting.earliest is not None
    assert meeting.likely is not None
    assert meeting.latest is not None
    assert meeting.earliest < meeting.likely < meeting.latest


def test_a_single_percent_of_wear_is_no_course() -> None:
    """One step of a whole percentage may be rounding."""
    reads = tuple(a_health(300 - d, percentage_used=50 + (d > 150)) for d in range(0, 301, 5))

    meeting = outlook(a_past(health=reads), ROLE, NOW).meeting(Limit.WEAR_MEETS_LIMIT)

    assert meeting is not None
    assert meeting.no_date is NoDate.NO_TREND


def test_a_drive_that_tells_nothing_has_no_wear() -> None:
    """Unknown stays unknown."""
    seen = outlook(a_past(), ROLE, NOW)

    assert seen.wear.used_percent is None
    meeting = seen.meeting(Limit.SPARE_MEETS_THRESHOLD)
    assert meeting is not None
    assert meeting.no_date is NoDate.NOT_TOLD


def test_growth_a_week_counts_only_what_rose_within_it() -> None:
    """A counter reset within the week is not negative growth."""
    reads = [a_health(d, media_errors=v) for d, v in ((20, 1), (8, 5), (3, 7), (2, 0), (1, 3))]

    assert growth_per_week(reads, "media_errors", NOW) == 5.0


@pytest.mark.parametrize(
    ("own", "likeness"),
    [(251.0, Likeness.LIKE), (250.0, Likeness.SLOW), (100.0, Likeness.SLOW)],
)
def test_twice_the_siblings_time_is_slow(own: float, likeness: Likeness) -> None:
    """Hao et al., FAST 2016: slow is at least twice the peers' median latency, thus half their rate."""
    siblings = Siblings(model="Fjell Q2", spot_floors_bytes_per_s=(400 * MB, 500 * MB, 510 * MB))

    assert compare(a_past(*spots([own * MB] * 5), siblings=siblings), NOW).likeness is likeness


def test_a_new_drive_borrows_its_siblings_floor_as_a_warning() -> None:
    """Without a soak the siblings' floor is told, and the standing stays unproven."""
    from ebbmark_collector.judge import stand

    siblings = Siblings(
        model="Fjell Q2", soak_floors_bytes_per_s=(90 * MB, 100 * MB, 110 * MB), cliff_at_bytes=(7, 8, 9)
    )
    past = a_past(siblings=siblings)

    assert compare(past, NOW).borrowed_floor_bytes_per_s == 100 * MB
    assert compare(past, NOW).borrowed_cliff_bytes == 8
    assert stand(past, ROLE, NOW).word is Word.UNPROVEN


def test_the_plan_lists_drives_under_the_month_of_their_first_date() -> None:
    """What is due already stands under the present month."""
    seen = [
        (
            "b",
            Outlook(
                at=NOW, meetings=(Meeting(limit=Limit.WEAR_MEETS_LIMIT, likely=NOW + timedelta(days=70)),)
            ),
        ),
        ("a", Outlook(at=NOW, meetings=(Meeting(limit=Limit.FLOOR_MEETS_DEMAND, likely=days_ago(40)),))),
        ("c", Outlook(at=NOW, meetings=(Meeting(limit=Limit.WEAR_MEETS_LIMIT, no_date=NoDate.NO_TREND),))),
    ]

    listed = [(r.month, r.subject_ids) for r in plan(seen)]

    assert listed == [("2031-06", ("a",)), ("2031-08", ("b",))]


def _filled(*fills: float, floors_mb: tuple[float, ...]) -> tuple[ProbePoint, ...]:
    soaks = [
        a_soak(ROLE, 1 + 30 * i, floor * MB, fill_start=fill)
        for i, (fill, floor) in enumerate(zip(reversed(fills), reversed(floors_mb), strict=True))
    ]
    return (*soaks, *(a_spot(day + 0.5, 900 * MB, fill_start=0.3) for day in range(120)))


def test_a_soak_slow_for_want_of_room_is_no_course_of_a_drive_that_was_as_full_before() -> None:
    """It ended at 96 % and the sound ones at 80 %; three months ago a project filled it just so."""
    probes = _filled(0.40, 0.38, 0.40, 0.56, floors_mb=(400, 405, 398, 300))
    as_full = [a_spot(75 + d, 900 * MB, fill_start=0.56) for d in range(5)]

    filling = outlook(a_past(*probes), ROLE, NOW).soak_slide
    ebbing = outlook(a_past(*probes, *as_full), ROLE, NOW).soak_slide

    assert filling is not None
    assert filling.falling
    assert ebbing is not None
    assert not ebbing.falling
