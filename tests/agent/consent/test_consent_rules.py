"""When a probe may run: a moment in which all is well, and each thing that can be wrong with it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from ebbmark_agent.consent import (
    Budget,
    ClipSigns,
    DiskActivity,
    HostFacts,
    TargetFacts,
    Wanted,
    refusals,
)
from ebbmark_agent.report import Hold, ProbeHours, ProbeKind
from ebbmark_agent.settings import LimitSettings

NOW = datetime(2026, 3, 10, 2, 30, tzinfo=UTC)
LIMITS = LimitSettings(writes_allowed=True)
SPOT = Wanted(kind=ProbeKind.SPOT, written_bytes=512_000_000)
BY_HAND = replace(SPOT, by_hand=True)
DISK = DiskActivity(name="disk one", watched_s=120.0, foreign_bytes=0)
TARGET = TargetFacts(
    name="recorder disk",
    size_bytes=1_000_000_000_000,
    free_bytes=600_000_000_000,
    certain=True,
    open_writers=0,
    temperature_c=35.0,
    activity=(DISK,),
    budget=Budget(allowed_bytes=6_000_000_000_000, spent_bytes=0, basis="1 % of 600 TB"),
    last_probe_at=NOW - timedelta(days=2),
)
HOST = HostFacts(zone=UTC, on_mains=True, probing_enabled=True, contact_lost_s=10.0)
CARD = replace(TARGET, removable=True, clips=ClipSigns(clips=0, complete=True), word_given=True)


def codes(
    wanted: Wanted = SPOT,
    *,
    target: TargetFacts = TARGET,
    host: HostFacts = HOST,
    limits: LimitSettings = LIMITS,
    now: datetime = NOW,
) -> list[str]:
    """Give the codes of all reasons against a probe."""
    return [one.code for one in refusals(wanted, target=target, host=host, limits=limits, now=now)]


def hold(*, starts_h: float, ends_h: float) -> Hold:
    """Make a hold around now [h]."""
    return Hold(
        hold_id="h1",
        starts_at=NOW + timedelta(hours=starts_h),
        ends_at=NOW + timedelta(hours=ends_h),
        reason="Premiere tonight.",
    )


def test_all_well_means_yes() -> None:
    """With every fact in order nothing is said against an automatic probe or one by hand."""
    assert codes() == []
    assert codes(BY_HAND) == []


def test_the_install_default_is_no() -> None:
    """As installed, with orders that ask for probing, no automatic probe may write."""
    assert codes(limits=LimitSettings()) == ["writes_not_allowed"]


@pytest.mark.parametrize(
    ("code", "change"),
    [
        ("failing_drive", {"failing": "spare below its threshold"}),
        ("network_volume", {"network": True}),
        ("uncertain_volume", {"certain": False}),
        ("read_only_volume", {"read_only": True}),
        ("foreign_io", {"activity": (replace(DISK, foreign_bytes=512),)}),
        ("open_writers", {"open_writers": 1}),
        ("too_full", {"free_bytes": 100_511_999_999}),
        ("too_hot", {"temperature_c": 55.0}),
    ],
)
def test_what_is_wrong_with_the_target(code: str, change: dict[str, Any]) -> None:
    """Each thing wrong with the drive or volume is the one reason, with its sentence."""
    found = refusals(SPOT, target=replace(TARGET, **change), host=HOST, limits=LIMITS, now=NOW)

    assert [one.code for one in found] == [code]
    assert found[0].sentence.endswith((".", ")"))


@pytest.mark.parametrize(
    ("code", "change"),
    [
        ("not_watched", {"activity": ()}),
        ("not_watched_long_enough", {"activity": (replace(DISK, watched_s=59.0),)}),
        ("open_writers_unknown", {"open_writers": None}),
        ("temperature_unknown", {"temperature_c": None}),
        ("budget_unknown", {"budget": None}),
        (
            "wear_budget_spent",
            {"budget": Budget(allowed_bytes=1_000_000_000, spent_bytes=488_000_001, basis="stated")},
        ),
        ("debt", {"last_probe_at": NOW - timedelta(hours=23)}),
    ],
)
def test_what_binds_only_automatic_probes(code: str, change: dict[str, Any]) -> None:
    """What is unknown, spent or owed stops an automatic probe and not a person at the bench."""
    target = replace(TARGET, **change)

    assert codes(target=target) == [code]
    assert codes(BY_HAND, target=target) == []


@pytest.mark.parametrize(
    ("code", "change"),
    [
        ("on_air", {"on_air": True}),
        ("switches_unreadable", {"on_air": True, "switches_readable": False}),
        ("hold", {"holds": (hold(starts_h=-1, ends_h=1),)}),
        ("capture_process", {"capture_processes": ("taker",)}),
        ("on_battery", {"on_mains": False}),
        ("another_probe", {"probe_running": True}),
    ],
)
def test_what_binds_everybody(code: str, change: dict[str, Any]) -> None:
    """A hold, the on-air switch, capture, battery and another probe stop a person's probe as well."""
    host = replace(HOST, **change)

    assert codes(host=host) == [code]
    assert codes(BY_HAND, host=host) == [code]


@pytest.mark.parametrize(
    ("code", "change"),
    [
        ("no_orders", {"orders_valid": False}),
        ("probing_not_enabled", {"probing_enabled": False}),
        ("out_of_contact", {"show": True, "contact_lost_s": 3601.0}),
        ("out_of_contact", {"show": True, "contact_lost_s": None}),
        ("outside_probe_hours", {"ordered_hours": (ProbeHours(from_minute=0, until_minute=120),)}),
        ("outside_probe_hours", {"zone": ZoneInfo("Asia/Tokyo")}),
    ],
)
def test_what_the_collector_and_the_clock_bind(code: str, change: dict[str, Any]) -> None:
    """Orders, contact in a show and hours stop automatic probes; a person's word stands for them."""
    host = replace(HOST, **change)

    assert codes(host=host) == [code]
    assert codes(BY_HAND, host=host) == []


def test_ordered_hours_never_widen_the_owners() -> None:
    """Orders for the whole day leave the owner's hours as they are."""
    host = replace(HOST, ordered_hours=(ProbeHours(from_minute=0, until_minute=1440),))

    assert codes(host=host, now=NOW + timedelta(hours=6)) == ["outside_probe_hours"]


def test_a_removable_medium_is_never_written_by_rule() -> None:
    """No automatic probe writes to a removable medium, empty and with a person's word for it or not."""
    assert codes(target=CARD) == ["removable_medium"]
    assert codes(target=replace(CARD, word_given=False)) == ["removable_medium"]


def test_reading_needs_no_leave_to_write() -> None:
    """A probe that only reads may read a full, write-protected card with clips on it, by hand."""
    reading = Wanted(kind=ProbeKind.READ, written_bytes=0, by_hand=True)
    card = replace(
        CARD, word_given=False, read_only=True, free_bytes=0, clips=ClipSigns(clips=9, complete=True)
    )

    assert codes(reading, target=card, limits=LimitSettings()) == []
    assert codes(replace(reading, by_hand=False), limits=LimitSettings()) == []


def test_a_persons_word_opens_an_empty_medium() -> None:
    """By hand a removable medium without clips needs the word for this insertion and nothing else."""
    assert codes(BY_HAND, target=CARD) == []
    assert codes(BY_HAND, target=replace(CARD, word_given=False)) == ["removable_medium"]


@pytest.mark.parametrize(
    ("clips", "code"),
    [
        (ClipSigns(clips=1, complete=True), "clips_on_medium"),
        (ClipSigns(clips=0, complete=False), "clips_unknown"),
        (None, "clips_unknown"),
    ],
)
def test_clips_outweigh_a_persons_word(clips: ClipSigns | None, code: str) -> None:
    """A medium with clips, or one nobody could look through, is not written even with the word."""
    assert codes(BY_HAND, target=replace(CARD, clips=clips)) == [code]


def test_a_card_has_a_budget_of_whole_writes_by_hand() -> None:
    """By hand a card's budget binds until the person states the number of bytes."""
    spent = replace(CARD, budget=Budget(allowed_bytes=0, spent_bytes=0, basis="none"))

    assert codes(BY_HAND, target=spent) == ["wear_budget_spent"]
    assert codes(replace(BY_HAND, stated_bytes=True), target=spent) == []


def test_a_hold_that_ended_starts_nothing_while_capture_goes_on() -> None:
    """The instant a hold ends, foreign I/O and a capture program still refuse the probe."""
    host = replace(HOST, holds=(hold(starts_h=-3, ends_h=0),), capture_processes=("taker",))
    target = replace(TARGET, activity=(replace(DISK, foreign_bytes=1_000_000),))

    assert codes(host=host, target=target) == ["capture_process", "foreign_io"]


def test_a_hold_binds_from_start_to_end_only() -> None:
    """A hold to come and one that ended say nothing; its first instant counts, its last does not."""
    assert codes(host=replace(HOST, holds=(hold(starts_h=1, ends_h=2),))) == []
    assert codes(host=replace(HOST, holds=(hold(starts_h=-2, ends_h=0),))) == []
    assert codes(host=replace(HOST, holds=(hold(starts_h=0, ends_h=1),))) == ["hold"]


@pytest.mark.parametrize(
    ("shares", "refused"), [(True, True), (None, True), (False, False)], ids=["shares", "unknown", "apart"]
)
def test_a_take_next_door_counts_on_a_recorder_machine(shares: bool | None, refused: bool) -> None:
    """On a machine with a recorder role, I/O on a disk that shares the upstream, or may, refuses."""
    busy = DiskActivity(name="disk two", watched_s=120.0, foreign_bytes=7_500_000, shares_upstream=shares)

    assert codes(host=replace(HOST, recorder_host=True, neighbours=(busy,))) == (
        ["neighbour_io"] if refused else []
    )
    assert codes(host=replace(HOST, recorder_host=False, neighbours=(busy,))) == []


def test_a_system_disk_has_a_small_allowance() -> None:
    """On a system disk 1 MB/s of other I/O is quiet, more is not; open files are part of life there."""
    quiet = replace(DISK, lively=True, foreign_bytes=120_000_000)
    busy = replace(quiet, foreign_bytes=120_000_001)
    system = replace(TARGET, lively=True, open_writers=31)

    assert codes(target=replace(system, activity=(quiet,))) == []
    assert codes(target=replace(system, activity=(busy,))) == ["foreign_io"]


def test_every_member_of_an_array_has_to_be_quiet() -> None:
    """One busy member refuses a probe of the array."""
    members = (DISK, replace(DISK, name="disk two", foreign_bytes=1))

    assert codes(target=replace(TARGET, activity=members)) == ["foreign_io"]


def test_debt_is_short_where_the_discard_was_shown() -> None:
    """After a shown discard the drive rests for the set time, otherwise for a day."""
    probed = replace(TARGET, last_probe_at=NOW - timedelta(hours=1, seconds=1))

    assert codes(target=replace(probed, last_probe_discarded=True)) == []
    assert codes(target=replace(probed, last_probe_discarded=False)) == ["debt"]


def test_a_clock_that_jumped_back_starves_nothing() -> None:
    """A last probe that lies in the future is no debt."""
    assert codes(target=replace(TARGET, last_probe_at=NOW + timedelta(days=3))) == []


def test_free_space_counts_both_ways() -> None:
    """The reserve is the greater of the absolute and the relative one; by hand it is a small remainder."""
    small = replace(TARGET, size_bytes=100_000_000_000, free_bytes=20_512_000_000)

    assert codes(target=small) == []
    assert codes(target=replace(small, free_bytes=20_511_999_999)) == ["too_full"]
    assert codes(BY_HAND, target=replace(small, free_bytes=576_000_000)) == []
    assert codes(BY_HAND, target=replace(small, free_bytes=575_999_999)) == ["too_full"]


def test_a_machine_without_a_battery_is_on_mains() -> None:
    """A desktop, which tells nothing of its power, may be probed."""
    assert codes(host=replace(HOST, on_mains=None)) == []


def test_each_refusal_carries_its_figure() -> None:
    """The figure behind a refusal stands beside its sentence, with its unit."""
    (found,) = refusals(SPOT, target=replace(TARGET, temperature_c=61.0), host=HOST, limits=LIMITS, now=NOW)

    assert (found.figure, found.unit) == (61.0, "C")
    assert found.sentence == "recorder disk is at 61 C; probes start below 55 C."


def test_all_reasons_are_told_together() -> None:
    """Several things wrong give several reasons, not the first only."""
    target = replace(TARGET, temperature_c=70.0, read_only=True)

    assert codes(target=target, host=replace(HOST, on_air=True)) == ["read_only_volume", "on_air", "too_hot"]
