"""How soon a drive is soaked again: never later than ordered, sooner where its evidence gives a reason."""

from dataclasses import replace

import pytest
from ebbmark_agent.evidence.roles import Cadence, RoleKind
from ebbmark_collector.judge.cadence import (
    AGAIN_DAYS,
    LATE_DAYS,
    LATE_PERCENT,
    LEAST_DAYS,
    SHARE,
    soak_sooner,
)
from ebbmark_collector.judge.findings import Outlook, Wear
from ebbmark_collector.judge.history import SubjectHistory
from ebbmark_collector.roles import DriveRole
from hypothesis import given
from hypothesis import strategies as st

from tests.collector.judge.past import MB, NOW, a_past, a_role, a_soak, days_ago

MONTHLY = Cadence(soak_every_days=30.0)


def every(
    past: SubjectHistory,
    role: DriveRole,
    *,
    outlook: Outlook | None = None,
    untrimmed_days: float | None = None,
) -> float | None:
    """Give the days from soak to soak of a drive about which nothing else is known."""
    since = None if untrimmed_days is None else days_ago(untrimmed_days)
    sooner = soak_sooner(past, role, outlook or Outlook(at=NOW), NOW, untrimmed_since=since)
    return sooner.every_days if sooner else role.role.cadence.soak_every_days


@given(
    floors=st.lists(st.floats(min_value=1e6, max_value=5e9), min_size=0, max_size=6),
    gap=st.floats(min_value=0.5, max_value=60),
    usual=st.floats(min_value=8, max_value=400),
    untrimmed=st.none() | st.floats(min_value=-400, max_value=400),
    used=st.none() | st.integers(min_value=0, max_value=255),
)
def test_a_soak_is_only_ever_brought_forward_and_never_within_a_week(
    floors: list[float], gap: float, usual: float, untrimmed: float | None, used: int | None
) -> None:
    """Whatever the past, soaks come no later than ordered and no sooner than a week after the last."""
    role = a_role(cadence=Cadence(soak_every_days=usual))
    past = a_past(*(a_soak(role, gap * i, floor) for i, floor in enumerate(floors)))
    outlook = Outlook(
        at=NOW, floor_now_bytes_per_s=floors[0] / 2 if floors else None, wear=Wear(used_percent=used)
    )

    found = every(past, role, outlook=outlook, untrimmed_days=untrimmed)

    assert found is not None
    assert LEAST_DAYS <= found <= usual


@given(
    floor=st.floats(min_value=210, max_value=2000),
    fall=st.floats(min_value=0.0, max_value=0.5),
    steeper=st.floats(min_value=0.0, max_value=0.5),
)
def test_a_steeper_fall_never_leaves_more_time(floor: float, fall: float, steeper: float) -> None:
    """The more the last soak lies beneath the one before it, the sooner comes the next."""
    role = a_role()

    def after(share: float) -> float:
        found = every(a_past(a_soak(role, 30, floor * MB / (1 - share)), a_soak(role, 0, floor * MB)), role)
        assert found is not None
        return found

    assert after(max(fall, steeper)) <= after(min(fall, steeper))


def test_a_falling_drive_is_soaked_before_half_of_what_its_fall_leaves_has_gone() -> None:
    """From 400 to 283 MB/s in thirty days leaves thirty days to 200, each a factor of the root of two."""
    role = a_role(rate=200 * MB)
    past = a_past(a_soak(role, 30, 400 * MB), a_soak(role, 0, 400 * MB / 2**0.5))

    assert every(past, role) == pytest.approx(SHARE * 30.0)
    assert SHARE < 0.5


def test_level_soaks_with_room_to_spare_keep_the_role_s_cadence() -> None:
    """Scatter of a few percent changes nothing at half as much again as the rate."""
    role = a_role(rate=200 * MB)
    past = a_past(*(a_soak(role, 30.0 * i, floor * MB) for i, floor in enumerate((295, 305, 300, 310))))

    assert every(past, role) == 30.0


def test_spots_that_sank_since_the_last_soak_bring_the_next_forward() -> None:
    """The last soak does not tell what the drive does now."""
    role = a_role()
    past = a_past(a_soak(role, 10, 400 * MB))

    assert every(past, role, outlook=Outlook(at=NOW, floor_now_bytes_per_s=350 * MB)) == LEAST_DAYS
    assert every(past, role, outlook=Outlook(at=NOW, floor_now_bytes_per_s=400 * MB)) == 30.0


def test_late_in_its_endurance_a_recorder_s_drive_is_soaked_twice_as_often() -> None:
    """Spots go into the cache and do not show what wear does; a drive that only plays out can wait."""
    used = Outlook(at=NOW, wear=Wear(used_percent=int(LATE_PERCENT)))
    recorder, working = a_role(), a_role(kind=RoleKind.WORKING)
    soak = a_soak(recorder, 3, 400 * MB)

    assert every(a_past(soak), recorder, outlook=used) == LATE_DAYS
    assert every(a_past(soak), working, outlook=used) == 30.0
    assert every(a_past(soak), recorder, outlook=Outlook(at=NOW, wear=Wear(used_percent=40))) == 30.0


def test_soaks_keep_pace_with_the_days_without_trim() -> None:
    """The first is due two weeks after trim stopped, the next before it has gone on half as long again."""
    role = a_role(cadence=Cadence(soak_every_days=45.0))

    def after(soaked_days_into_it: float) -> float | None:
        past = a_past(a_soak(role, 1, 400 * MB))
        return every(past, role, untrimmed_days=1 + soaked_days_into_it)

    assert after(-20) == 34.0
    assert after(2) == 14.0
    assert after(14) == 14.0
    assert after(50) == pytest.approx(20.0)
    assert after(120) == 45.0


def test_a_soak_beneath_the_rate_that_may_be_chance_is_repeated_within_a_week() -> None:
    """One more tells; a drive that fell by more than chance, or twice more, is known to be unfit already."""
    role = a_role(rate=200 * MB)

    def after(*floors: float) -> float | None:
        return every(a_past(*(a_soak(role, 30.0 * i, f * MB) for i, f in enumerate(reversed(floors)))), role)

    assert after(222, 245, 215, 250, 212, 240, 193) == LEAST_DAYS
    assert after(222, 245, 215, 250, 212, 240, 115) == 30.0
    assert after(222, 245, 215, 250, 212, 240, 193, 193, 193) == 30.0


def test_a_dip_of_a_soak_that_ran_hot_is_looked_at_again_while_the_drive_grows_hotter() -> None:
    """Every soak at full speed dips so on some drives; one that runs hotter each time will fall on."""
    role = a_role(rate=200 * MB)

    def after(*hottest_c: float) -> float | None:
        soaks = [
            a_soak(
                role,
                30.0 * i,
                190 * MB,
                lasting_bytes_per_s=320 * MB,
                mean_bytes_per_s=500 * MB,
                temperature_hottest_c=hot,
            )
            for i, hot in enumerate(reversed(hottest_c))
        ]
        return every(a_past(*soaks), role)

    assert after(84, 84, 85) == 30.0
    assert after(72, 78, 86) == AGAIN_DAYS
    assert after(52, 58, 66) == 30.0


def test_a_recorder_s_drive_that_grows_hot_is_soaked_again_before_it_throttles() -> None:
    """Spots end before it is warm; one that always ran so, or is still cool, keeps its role's cadence."""

    def after(*hottest_c: float, kind: RoleKind = RoleKind.RECORDER) -> float | None:
        role = a_role(rate=200 * MB, kind=kind)
        soaks = [
            a_soak(role, 30.0 * i, 400 * MB, temperature_hottest_c=hot)
            for i, hot in enumerate(reversed(hottest_c))
        ]
        return every(a_past(*soaks), role)

    assert after(68, 71, 78) == AGAIN_DAYS
    assert after(77, 77, 78) == 30.0
    assert after(48, 51, 58) == 30.0
    assert after(68, 71, 78, kind=RoleKind.WORKING) == 30.0


def test_a_soak_that_went_on_past_what_a_take_fills_is_followed_by_one_begun_with_more_room() -> None:
    """It ended at 95 %; the role's takes end at 85 % at most."""
    role = a_role(rate=200 * MB, take_s=1500.0)

    def after(newest_fill: float) -> float | None:
        soaks = [
            a_soak(role, 30.0 * i, floor * MB, fill_start=fill)
            for i, (floor, fill) in enumerate([(150, newest_fill), (390, 0.3), (400, 0.35)])
        ]
        return every(a_past(*soaks), role)

    assert after(0.55) == AGAIN_DAYS
    assert after(0.35) == 30.0


def test_what_is_not_known_changes_nothing() -> None:
    """Without a soak, beneath its rate and where the role orders no soaks, the role's word stands."""
    role = a_role()
    sunk = Outlook(at=NOW, floor_now_bytes_per_s=100 * MB, wear=Wear(used_percent=100))
    never = a_role(cadence=replace(MONTHLY, soak_every_days=None))

    assert every(a_past(), role, outlook=sunk, untrimmed_days=20) == 30.0
    assert every(a_past(a_soak(role, 40, 400 * MB), a_soak(role, 10, 190 * MB)), role, outlook=sunk) == 30.0
    assert every(a_past(a_soak(never, 10, 400 * MB)), never, outlook=sunk, untrimmed_days=20) is None
    assert soak_sooner(a_past(), None, sunk, NOW) is None


def test_a_soak_dated_ahead_of_the_clock_is_not_looked_at() -> None:
    """A machine whose clock ran ahead does not hurry its drives."""
    role = a_role()
    low = 250 * MB

    assert every(a_past(a_soak(role, 30, 400 * MB), a_soak(role, 0, low)), role) != 30.0
    assert every(a_past(a_soak(role, 30, 400 * MB), a_soak(role, -5, low)), role) == 30.0


def test_the_most_pressing_reason_is_the_one_told() -> None:
    """A person who sees a drive soaked weekly reads why."""
    role = a_role(rate=200 * MB)
    past = a_past(a_soak(role, 30, 400 * MB), a_soak(role, 0, 400 * MB / 2**0.5))
    worn = Outlook(at=NOW, wear=Wear(used_percent=88))
    sunk = replace(worn, floor_now_bytes_per_s=210 * MB)

    def why(outlook: Outlook) -> str:
        found = soak_sooner(past, role, outlook, NOW, untrimmed_since=days_ago(1))
        assert found is not None
        return found.why

    assert why(sunk) == "Its spots sank since its last soak."
    assert why(worn) == "Its soaks fall; so steeply they meet its rate in 30 days."
    assert (
        soak_sooner(
            past, replace(role, role=replace(role.role, cadence=Cadence(soak_every_days=7.0))), sunk, NOW
        )
        is None
    )
