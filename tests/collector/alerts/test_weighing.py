"""What is weighed: each condition from a past that shows it, and what keeps quiet."""

from dataclasses import replace
from datetime import timedelta
from math import exp, inf, log
from random import Random
from typing import Any

import pytest
from ebbmark_agent.evidence.roles import RoleKind
from ebbmark_agent.report import Assessment, Bus, DiscardState, HealthState, IdentityConfidence
from ebbmark_collector.alerts import (
    DEFAULTS,
    Condition,
    ConditionKind,
    Severity,
    Sight,
    to_do,
    weigh,
    weigh_host,
)
from ebbmark_collector.alerts.scene import above, below
from ebbmark_collector.judge import (
    CauseKind,
    HostFacts,
    Incident,
    PathNow,
    Presence,
    Siblings,
    SubjectHistory,
    causes,
    compare,
    outlook,
    stand,
)
from ebbmark_collector.judge.history import HealthPoint, ProbePoint
from ebbmark_collector.roles import ConditionRule, DriveRole, Watch
from hypothesis import given
from hypothesis import strategies as st

from tests.collector.judge.past import (
    MB,
    NOW,
    PATH,
    a_health,
    a_past,
    a_role,
    a_soak,
    a_spot,
    days_ago,
    spots,
)

K = ConditionKind
ROLE = a_role(hot_c=75.0)  # 200 MB/s, 240 asked


def weighed(
    past: SubjectHistory, role: DriveRole | None = ROLE, now: Any = NOW
) -> dict[tuple[ConditionKind, str], Condition]:
    """Judge a past and weigh every condition."""
    standing, seen = stand(past, role, now), outlook(past, role, now)
    found = weigh(
        past,
        role,
        standing,
        seen,
        causes=causes(past, role, standing, seen, now),
        cohort=compare(past, now),
        now=now,
    )
    return {(c.kind, c.qualifier): c for c in found}


def present(past: SubjectHistory, role: DriveRole | None = ROLE) -> set[ConditionKind]:
    """Give the kinds that are present."""
    return {kind for (kind, _), c in weighed(past, role).items() if c.sight is Sight.PRESENT}


SOUND = (a_soak(ROLE, 10, 500 * MB), *spots([900 * MB] * 20))
LOST = Incident(incident_id="i", happened_at=days_ago(2), reported_by="Imre")
SLOWER = Siblings(model="Fjell Q2", spot_floors_bytes_per_s=(2500 * MB,) * 4)
BY_HEALTH: list[tuple[HealthPoint, ConditionKind]] = [
    (a_health(0.1, media_errors=2), K.MEDIA_ERRORS),
    (a_health(0.1, pending_sectors=1), K.MEDIA_ERRORS),
    (a_health(0.1, assessment=Assessment.FAILED), K.SELF_ASSESSMENT_FAILED),
    (a_health(0.1, critical_warnings=("reliability_degraded",)), K.CRITICAL_WARNING),
    (replace(a_health(0.1), state=HealthState.TIMED_OUT), K.HEALTH_COMMAND_FAILED),
    (replace(a_health(0.1), state=HealthState.NO_PERMISSION), K.HEALTH_NOT_PERMITTED),
    (a_health(0.1, percentage_used=100), K.WORN_OUT),
    (a_health(0.1, available_spare_percent=9, available_spare_threshold_percent=10), K.SPARE_LOW),
    (a_health(0.1, temperature_c=75.0), K.TOO_HOT),
]


def test_a_sound_drive_has_nothing_to_say() -> None:
    """Fit, cool, half empty and seen an hour ago: no condition is present."""
    past = a_past(*SOUND, facts={"fill": 0.5}, health=(a_health(1, media_errors=0, percentage_used=3),))

    assert present(past) == set()


@pytest.mark.parametrize(("read", "kind"), BY_HEALTH, ids=lambda v: getattr(v, "value", ""))
def test_each_condition_of_health(read: HealthPoint, kind: ConditionKind) -> None:
    """One read shows one condition and no other."""
    assert present(a_past(*SOUND, health=(read,))) == {kind}


@pytest.mark.parametrize(
    ("past", "kind"),
    [
        pytest.param(a_past(a_soak(ROLE, 1, 190 * MB)), K.FLOOR_UNDER_DEMAND, id="floor"),
        pytest.param(a_past(a_soak(ROLE, 1, 250 * MB)), K.MARGIN_THIN, id="margin"),
        pytest.param(
            a_past(*(a_soak(ROLE, 30 * (5 - i), 360 * MB * 0.93**i) for i in range(6))),
            K.FLOOR_WILL_MEET_DEMAND,
            id="course",
        ),
        pytest.param(
            a_past(a_soak(ROLE, 10, 900 * MB), *spots([900 * MB] * 30 + [600 * MB] * 8)),
            K.FLOOR_STEPPED_DOWN,
            id="step",
        ),
        pytest.param(
            a_past(*SOUND, a_spot(0, 900 * MB, longest_stall_s=1.2)), K.STALLS_BEYOND_BUFFER, id="stall"
        ),
        pytest.param(a_past(*SOUND, incidents=(LOST,)), K.FRAMES_LOST, id="incident"),
        pytest.param(a_past(*SOUND, a_spot(0, 9e8, read_back_ok=False)), K.READ_BACK_DIFFERS, id="read-back"),
        pytest.param(a_past(*SOUND, a_spot(0, 9e8, fault_sentence="EIO.")), K.WRITE_FAULT, id="write fault"),
        pytest.param(a_past(*SOUND, facts={"fill": 0.95}), K.NEARLY_FULL, id="full"),
        pytest.param(a_past(*SOUND, siblings=SLOWER), K.SLOWER_THAN_SIBLINGS, id="siblings"),
        pytest.param(a_past(facts={"first_seen_at": days_ago(3)}), K.UNPROVEN, id="unproven"),
        pytest.param(a_past(a_soak(ROLE, 60, 500 * MB)), K.NO_RECENT_SOAK, id="no soak"),
        pytest.param(
            a_past(*SOUND, facts={"no_safe_moment_since": days_ago(20)}), K.NO_SAFE_MOMENT, id="moment"
        ),
        pytest.param(a_past(*SOUND, facts={"last_seen_at": days_ago(4)}), K.SILENT_DRIVE, id="silent"),
        pytest.param(a_past(*SOUND, facts={"duplicate_of": ("drive-9",)}), K.DUPLICATE_IDENTITY, id="twice"),
        pytest.param(
            a_past(*SOUND, facts={"confidence": IdentityConfidence.READER, "asset_tag": None}),
            K.UNKNOWN_DRIVE,
            id="unknown",
        ),
        pytest.param(
            a_past(a_soak(ROLE, 80, 500 * MB), facts={"presence": Presence.COMES_AND_GOES}),
            K.EVIDENCE_AGING,
            id="aging",
        ),
        pytest.param(
            a_past(
                *SOUND,
                facts={"path": PathNow(key=PATH, link_now_bytes_per_s=3e8, link_best_bytes_per_s=6e8)},
            ),
            K.LINK_BELOW_BEST,
            id="link",
        ),
        pytest.param(
            a_past(
                *SOUND,
                health=(a_health(9, interface_crc_errors=0), a_health(1, interface_crc_errors=5)),
            ),
            K.INTERFACE_ERRORS,
            id="cable",
        ),
    ],
)
def test_each_other_condition(past: SubjectHistory, kind: ConditionKind) -> None:
    """A past that shows one thing raises that, and says what to do about it in one step."""
    assert kind in present(past)

    condition = next(c for (k, _), c in weighed(past).items() if k is kind)
    assert condition.headline.startswith(past.facts.called)
    assert condition.next_step.endswith(".")
    assert condition.asset_tag == past.facts.asset_tag
    assert condition.host == "edit-3"


def test_every_kind_has_a_weight() -> None:
    """No condition is without severity, delays and deadband."""
    assert set(DEFAULTS) == set(ConditionKind)


def test_an_alert_about_the_floor_names_all_that_is_needed() -> None:
    """Asset tag, last host and place, role, floor against demand, since when, act by when, one step."""
    condition = weighed(a_past(a_soak(ROLE, 1, 150 * MB)))[(K.FLOOR_UNDER_DEMAND, "")]

    assert condition.headline == (
        "LANE-07, last on edit-3 (Room 2), role lane-recorder: floor 150 MB/s, 240 MB/s asked"
    )
    assert condition.since == days_ago(1)
    assert condition.act_by is not None
    assert condition.severity is Severity.CRITICAL
    assert condition.predicts_lost_frames
    assert condition.next_step


def test_marginal_is_milder_and_predicts_nothing() -> None:
    """Above the rate and under the demand frames are not lost yet, and without a course none are foreseen."""
    condition = weighed(a_past(a_soak(ROLE, 1, 220 * MB)))[(K.FLOOR_UNDER_DEMAND, "")]

    assert condition.severity is Severity.MINOR
    assert not condition.predicts_lost_frames


def test_unproven_predicts_nothing() -> None:
    """Raising unproven on all drives announces no lost frame."""
    condition = weighed(a_past())[(K.UNPROVEN, "")]

    assert condition.sight is Sight.PRESENT
    assert not condition.predicts_lost_frames


def test_the_same_drive_weighs_less_in_a_lesser_role() -> None:
    """Severity goes by the kind of role."""
    for kind, severity in ((RoleKind.WORKING, Severity.MAJOR), (RoleKind.SYSTEM, Severity.MINOR)):
        role = a_role(kind=kind)
        condition = weighed(a_past(a_soak(role, 1, 150 * MB)), role)[(K.FLOOR_UNDER_DEMAND, "")]
        assert condition.severity is severity


def test_a_role_sets_severity_delays_and_silence_of_a_condition() -> None:
    """What a role says about a condition wins over the defaults."""
    watch = Watch(
        conditions={
            "floor_under_demand": ConditionRule(severity="minor", on_delay_s=60.0, off_delay_s=90.0),
            "margin_thin": ConditionRule(enabled=False),
        }
    )
    role = a_role(watch=watch)
    found = weighed(a_past(a_soak(role, 1, 150 * MB)), role)

    floor = found[(K.FLOOR_UNDER_DEMAND, "")]
    assert (floor.severity, floor.on_delay_s, floor.off_delay_s) == (Severity.MINOR, 60.0, 90.0)
    assert (K.MARGIN_THIN, "") not in found


def test_before_its_role_is_confirmed_only_grave_findings_alert() -> None:
    """In the first days: media errors, a failed self-assessment and a wrong read-back, and no more."""
    everything = a_past(
        a_soak(ROLE, 1, 50 * MB, read_back_ok=False, longest_stall_s=9.0),
        facts={"fill": 0.99, "no_safe_moment_since": days_ago(40)},
        health=(a_health(1, media_errors=4, assessment=Assessment.FAILED, percentage_used=120),),
        confirmed=False,
    )

    assert present(everything) == {K.MEDIA_ERRORS, K.SELF_ASSESSMENT_FAILED, K.READ_BACK_DIFFERS}


def test_a_drive_out_of_reach_clears_nothing() -> None:
    """What a drive that is away showed last is neither present anew nor absent: it is unseen."""
    away = a_past(*SOUND, facts={"presence": Presence.COMES_AND_GOES, "last_seen_at": days_ago(30)})

    found = weighed(away)

    assert found[(K.FLOOR_UNDER_DEMAND, "")].sight is Sight.UNSEEN
    assert found[(K.SILENT_DRIVE, "")].sight is Sight.ABSENT


def test_a_silent_host_explains_its_silent_drives() -> None:
    """With the host silent too, the drive's own silence is not told."""
    past = a_past(*SOUND, facts={"last_seen_at": days_ago(5), "host_heard_at": days_ago(5)})

    assert weighed(past)[(K.SILENT_DRIVE, "")].sight is Sight.UNSEEN


def test_retiring_clears_everything_and_says_by_whom() -> None:
    """Every condition of a retired drive is absent, with the reason."""
    past = a_past(a_soak(ROLE, 1, 50 * MB), facts={"retired": "worn, by Mira"})

    found = weighed(past).values()

    assert {c.sight for c in found} == {Sight.ABSENT}
    assert {c.because for c in found} == {"It was retired: worn, by Mira"}


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("spare_below_threshold", "spare space"),
        ("temperature_above_or_below_threshold", "temperature"),
        ("reliability_degraded", "reliability is degraded"),
        ("media_read_only", "read-only"),
        ("volatile_memory_backup_failed", "volatile memory"),
        ("persistent_memory_region_unreliable", "persistent memory"),
    ],
)
def test_a_critical_warning_bit_is_said_in_words(code: str, words: str) -> None:
    """Each bit of the NVMe critical-warning byte has its own alert and its own words."""
    found = weighed(a_past(*SOUND, health=(a_health(0.1, critical_warnings=(code,)),)))

    assert words in found[(K.CRITICAL_WARNING, code)].headline
    assert [q for (k, q), c in found.items() if k is K.CRITICAL_WARNING and c.sight is Sight.PRESENT] == [
        code
    ]


def test_spare_at_its_threshold_is_not_below_it() -> None:
    """NVM Express: the event is for spare falling below the threshold."""
    read = a_health(0.1, available_spare_percent=10, available_spare_threshold_percent=10)

    assert K.SPARE_LOW not in present(a_past(*SOUND, health=(read,)))


@pytest.mark.parametrize(
    ("value", "sight"),
    [
        (99.9, Sight.PRESENT),
        (100.0, Sight.BETWEEN),
        (124.9, Sight.BETWEEN),
        (125.0, Sight.ABSENT),
        (None, Sight.UNSEEN),
    ],
)
def test_a_figure_that_should_not_fall_below(value: float | None, sight: Sight) -> None:
    """Beneath is present, inside the deadband is between, unknown is unseen."""
    assert below(value, 100.0, 0.25) is sight


@pytest.mark.parametrize(
    ("value", "sight"),
    [
        (100.0, Sight.PRESENT),
        (99.9, Sight.BETWEEN),
        (75.1, Sight.BETWEEN),
        (75.0, Sight.ABSENT),
        (None, Sight.UNSEEN),
    ],
)
def test_a_figure_that_should_not_rise_to(value: float | None, sight: Sight) -> None:
    """At the limit is present, inside the deadband is between, unknown is unseen."""
    assert above(value, 100.0, 0.25) is sight


@pytest.mark.parametrize(
    ("changes", "sight"),
    [
        pytest.param({"heard_at": days_ago(4)}, Sight.PRESENT, id="silent"),
        pytest.param({"heard_at": days_ago(2)}, Sight.ABSENT, id="heard lately"),
        pytest.param({"heard_at": days_ago(4), "show": True}, Sight.ABSENT, id="on a show"),
        pytest.param({"heard_at": days_ago(4), "retired": "sold"}, Sight.ABSENT, id="retired"),
        pytest.param({"heard_at": None}, Sight.UNSEEN, id="never heard"),
        pytest.param({"heard_at": days_ago(4), "expects_every_s": 2 * 86_400.0}, Sight.ABSENT, id="seldom"),
    ],
)
def test_a_host_that_says_nothing(changes: dict[str, Any], sight: Sight) -> None:
    """Silence counts from three days, or three reports, on; not on a show and not after retirement."""
    host = HostFacts(host_id="h", name="edit-3", **changes)

    assert weigh_host(host, now=NOW)[0].sight is sight


def test_the_worklist_says_what_to_soak_and_how_long_it_takes() -> None:
    """A new drive's line: 480 GB at 240 MB/s take 2000 s."""
    past = a_past(facts={"free_bytes": 480_000_000_000})

    line = to_do(past, ROLE, stand(past, ROLE, NOW))

    assert line is not None
    assert (line.needs_role, line.needs_soak) == (False, True)
    assert line.soak_s == pytest.approx(2000)


def test_a_fit_drive_has_no_line_in_the_worklist() -> None:
    """Confirmed and fit: nothing is left to do."""
    past = a_past(*SOUND)

    assert to_do(past, ROLE, stand(past, ROLE, NOW + timedelta(hours=1))) is None


def _untrimmed(days: int, *later: ProbePoint) -> Condition:
    """Weigh a drive that was told of freed blocks until so many days ago."""
    told = [a_spot(d, 900 * MB, discard=DiscardState.ASKED) for d in range(90, 80, -1)]
    soak = a_soak(ROLE, 85, 300 * MB, lasting_bytes_per_s=300 * MB, discard=DiscardState.ASKED)
    silent = [a_spot(d, 900 * MB) for d in range(days, 0, -1)]
    return weighed(a_past(soak, *told, *silent, *later, facts={"trim": False}))[(K.TRIM_STOPPED, "")]


def test_trim_that_stopped_foretells_lost_frames_after_six_weeks_without_a_soak() -> None:
    """A drive once told of freed blocks and not any more: first a warning, then a forecast."""
    assert _untrimmed(10).sight is Sight.PRESENT
    assert not _untrimmed(10).predicts_lost_frames
    assert _untrimmed(45).predicts_lost_frames
    assert _untrimmed(45).severity.order > _untrimmed(10).severity.order


def test_a_sound_soak_soon_after_trim_stopped_shortens_no_patience() -> None:
    """No slower eleven days into it: half as long again is less than what is waited for without any soak."""
    sound = a_soak(ROLE, 24, 350 * MB, lasting_bytes_per_s=350 * MB)

    assert not _untrimmed(35, sound).predicts_lost_frames


def test_a_floor_that_sags_by_more_than_soaks_differ_tells_of_trim_that_stopped() -> None:
    """Six percent lower where soaks repeat to half a percent, though most of it still lasts as usual."""
    before = [
        a_soak(
            ROLE,
            40 + 30 * i,
            floor * MB,
            lasting_bytes_per_s=350 * MB,
            discard=DiscardState.ASKED,
        )
        for i, floor in enumerate((350, 352, 349, 351, 350))
    ]
    sagging = a_soak(ROLE, 2, 329 * MB, lasting_bytes_per_s=346 * MB)

    assert _untrimmed(29, *before, sagging).predicts_lost_frames
    assert not _untrimmed(29, *before, replace(sagging, floor_bytes_per_s=345 * MB)).predicts_lost_frames


def test_a_soak_since_trim_stopped_tells_more_than_the_calendar() -> None:
    """One that was soon slower is believed at once; one that was not leaves it half as long again."""
    sound = a_soak(ROLE, 15, 300 * MB, lasting_bytes_per_s=300 * MB)
    short = a_soak(ROLE, 5, 270 * MB, lasting_bytes_per_s=270 * MB)

    assert not _untrimmed(50, sound).predicts_lost_frames
    assert _untrimmed(50, replace(sound, at=days_ago(25))).predicts_lost_frames
    assert _untrimmed(15, short).predicts_lost_frames
    assert not _untrimmed(80, replace(short, at=days_ago(1))).predicts_lost_frames


@given(left=st.floats(min_value=0.05, max_value=1.2), into_it=st.integers(4, 30))
def test_a_cache_that_shrinks_with_the_free_blocks_dates_their_end(left: float, into_it: int) -> None:
    """Foretold where it shrank and at its pace few free blocks are left within the horizon, only there."""
    full = a_soak(ROLE, 86, 300 * MB, lasting_bytes_per_s=300 * MB, cliff_at_bytes=10**11)
    newest = replace(full, probe_id="newest", at=days_ago(5), cliff_at_bytes=round(left * 10**11))
    days = into_it + 5
    to_a_third = into_it / -log(left) if left < 1 else inf

    found = _untrimmed(days, full, newest)

    if days < 41 and abs(2.8 * to_a_third - days - 45) > 5 and abs(left - 0.75) > 0.01:
        assert found.predicts_lost_frames is (left < 0.75 and 2.8 * to_a_third - days < 45)


def _hot_soak(floor_mb: float, lasted_at_mb: float, *, role: DriveRole = ROLE, **changes: Any) -> ProbePoint:
    """Give a soak at far more than the demand that made the drive hot."""
    hot = {"mean_bytes_per_s": 500 * MB, "temperature_hottest_c": 86.0}
    return a_soak(role, 5, floor_mb * MB, lasting_bytes_per_s=lasted_at_mb * MB, **hot | changes)


def test_a_dip_of_a_soak_that_ran_hot_foretells_nothing_by_itself() -> None:
    """It is unfit by what was shown, and a take at the role's rate does not make that heat."""
    hot = _hot_soak(190, 340)

    dipped = weighed(a_past(hot))[(K.FLOOR_UNDER_DEMAND, "")]
    cool = weighed(a_past(replace(hot, temperature_hottest_c=45.0)))[(K.FLOOR_UNDER_DEMAND, "")]

    assert dipped.sight is Sight.PRESENT
    assert not dipped.predicts_lost_frames
    assert any("rehearsal" in why for why in dipped.why)
    assert cool.predicts_lost_frames


@pytest.mark.parametrize(("buffer_s", "foretells"), [(1.0, True), (4.0, False)])
def test_a_hot_soak_that_stopped_for_a_good_part_of_the_buffer_did_not_only_dip(
    buffer_s: float, foretells: bool
) -> None:
    """Half a second is much of a recorder's one second and little of four."""
    role = a_role(buffer_s=buffer_s)
    hot = _hot_soak(190, 340, role=role, longest_stall_s=0.5)

    assert weighed(a_past(hot), role)[(K.FLOOR_UNDER_DEMAND, "")].predicts_lost_frames is foretells


@pytest.mark.parametrize(("scatter", "foretells"), [(0.005, True), (0.03, False)], ids=["steady", "scatters"])
def test_what_a_hot_soak_lasted_at_may_miss_the_demand_by_what_its_soaks_differ(
    scatter: float, foretells: bool
) -> None:
    """It lasted at 222 of 240 MB/s: one whose probes repeat to a percent has lost rate, the other may not.

    One that lasted beneath the rate of the role, 200 MB/s, is believed either way.
    """
    hot = _hot_soak(170, 222)
    chance = Random(5)
    regular = spots([900 * MB * exp(chance.gauss(0, scatter)) for _ in range(24)])

    def told(soak: ProbePoint) -> bool:
        return weighed(a_past(soak, *regular))[(K.FLOOR_UNDER_DEMAND, "")].predicts_lost_frames

    assert told(hot) is foretells
    assert told(replace(hot, lasting_bytes_per_s=195 * MB))
    # Likewise its mean the quarter above the demand, 300 MB/s, from which it counts as far above it.
    assert told(_hot_soak(170, 260, mean_bytes_per_s=280 * MB)) is foretells


TAKES = a_role(take_s=1500.0)  # a take fills 30 % of the drive, a soak 40 %


def _fuller(*soaks: tuple[float, float], role: DriveRole = TAKES) -> Condition:
    """Weigh a drive from the fill at which its soaks began and their floor [MB/s], oldest first."""
    points = [
        a_soak(role, 5 + 30 * i, floor * MB, fill_start=fill) for i, (fill, floor) in enumerate(soaks[::-1])
    ]
    return weighed(a_past(*points), role)[(K.FLOOR_UNDER_DEMAND, "")]


def test_a_soak_slow_only_past_what_a_take_fills_foretells_nothing_by_itself() -> None:
    """It ended at 95 %, a take begun at its fullest ends at 85 %."""
    past_it = _fuller((0.30, 400), (0.35, 390), (0.55, 150))

    assert (past_it.sight, past_it.predicts_lost_frames) == (Sight.PRESENT, False)
    assert any("to 95%" in why and "ends at 85%" in why and "free it" in why for why in past_it.why)


@pytest.mark.parametrize(
    ("soaks", "role"),
    [
        (((0.30, 400), (0.35, 390), (0.35, 150)), TAKES),
        (((0.30, 400), (0.56, 180), (0.35, 390), (0.55, 150)), TAKES),
        (((0.30, 400), (0.35, 390), (0.55, 150)), ROLE),
        (((0.30, 400), (0.35, 390), (0.55, 150)), a_role(take_s=1900.0)),
    ],
    ids=["no fuller than before", "slower than one as full", "takes of any length", "a take as long"],
)
def test_a_soak_that_the_fill_does_not_explain_foretells(
    soaks: tuple[tuple[float, float], ...], role: DriveRole
) -> None:
    """What a take can meet, and what the fill did not do before, are the drive's own."""
    assert _fuller(*soaks, role=role).predicts_lost_frames


def _unfit_by_chance(
    *,
    newest_mb: float = 193,
    hottest_c: tuple[float | None, float | None] = (None, None),
    probes: tuple[ProbePoint, ...] = (),
    **parts: Any,
) -> Condition:
    floors = (newest_mb, 240, 212, 250, 215, 245, 222)
    soaks = [
        a_soak(ROLE, 5 + 30 * i, floor * MB, temperature_hottest_c=hottest_c[0 if i else 1])
        for i, floor in enumerate(floors)
    ]
    return weighed(a_past(*soaks, *probes, **parts))[(K.FLOOR_UNDER_DEMAND, "")]


def test_one_soak_beneath_the_rate_that_may_be_chance_is_told_and_foretells_nothing_yet() -> None:
    """The drive counts as unfit and its alert says so, a step milder than one that is sure."""
    doubted, sure = _unfit_by_chance(), _unfit_by_chance(newest_mb=115)

    assert (doubted.sight, doubted.predicts_lost_frames) == (Sight.PRESENT, False)
    assert any("one more soak tells" in why for why in doubted.why)
    assert sure.predicts_lost_frames
    assert sure.severity.order > doubted.severity.order


@pytest.mark.parametrize(
    "parts",
    [
        {"health": (a_health(1, percentage_used=88),)},
        {"health": (a_health(9, media_errors=0), a_health(1, media_errors=4))},
        {"facts": {"trim": False}},
        {"probes": tuple(a_spot(d, 190 * MB) for d in (3, 2, 1))},
        {"hottest_c": (64.0, 84.0)},
    ],
    ids=["worn", "media errors", "not trimmed", "spots lie beneath it too", "hotter than before"],
)
def test_a_soak_beneath_the_rate_is_believed_where_something_speaks_for_it(parts: dict[str, Any]) -> None:
    """What makes a drive slow and what its regular probes say leave less to chance."""
    assert _unfit_by_chance(**parts).predicts_lost_frames


@pytest.mark.parametrize(
    "parts",
    [
        {"hottest_c": (84.0, 84.0)},
        {"health": (a_health(1, percentage_used=62),)},
        {
            "facts": {
                "path": PathNow(key=PATH, link_now_bytes_per_s=600 * MB, link_best_bytes_per_s=1200 * MB)
            }
        },
    ],
    ids=["as hot as ever", "in the middle of its life", "on the link it always had"],
)
def test_what_was_so_at_each_soak_before_makes_one_low_soak_no_surer(parts: dict[str, Any]) -> None:
    """It is named as what may make the drive slow, and did not keep it from carrying the rate until now."""
    found = _unfit_by_chance(**parts)

    assert found.cause is not CauseKind.UNKNOWN
    assert not found.predicts_lost_frames


@pytest.mark.parametrize(("hottest_c", "foretells"), [(86.0, False), (45.0, True)])
def test_a_step_of_spots_makes_no_more_of_a_dip_that_was_heat(hottest_c: float, foretells: bool) -> None:
    """The floor that lies beneath the rate is the hot soak's: a step of spots does not say so again."""
    hot = a_soak(
        ROLE,
        60,
        190 * MB,
        lasting_bytes_per_s=340 * MB,
        mean_bytes_per_s=500 * MB,
        temperature_hottest_c=hottest_c,
    )
    fell = [a_spot(d, (900 if d > 70 else 700) * MB * 1.01 ** (-1) ** d) for d in range(150, 0, -1)]

    found = weighed(a_past(hot, *fell))[(K.FLOOR_STEPPED_DOWN, "")]

    assert found.sight is Sight.PRESENT
    assert found.predicts_lost_frames is foretells


AWAY = {"presence": Presence.COMES_AND_GOES}


def test_a_medium_that_sank_under_its_demand_between_two_visits_is_foretold() -> None:
    """It may not be seen again for months, so two looks have to do; a fixed drive is followed instead."""
    visits = (a_soak(ROLE, 150, 290 * MB), a_soak(ROLE, 5, 225 * MB))

    travels = weighed(a_past(*visits, facts=AWAY))[(K.FLOOR_UNDER_DEMAND, "")]
    always_so = weighed(a_past(visits[1], facts=AWAY))[(K.FLOOR_UNDER_DEMAND, "")]

    assert travels.predicts_lost_frames
    assert not always_so.predicts_lost_frames
    assert always_so.sight is Sight.PRESENT


def test_a_worn_out_medium_that_falls_short_is_foretold_at_its_first_look() -> None:
    """There is nothing to hold it against, and what it has left goes on going until it is seen again."""
    short = a_soak(ROLE, 5, 225 * MB)

    def told(used: int, **facts: Any) -> bool:
        read = a_health(5, percentage_used=used)
        past = a_past(short, health=(read,), facts=AWAY | facts)
        return weighed(past)[(K.FLOOR_UNDER_DEMAND, "")].predicts_lost_frames

    assert told(103)
    assert not told(70)
    assert not told(103, presence=Presence.FIXED)


def test_a_slow_reader_foretells_nothing_of_a_medium_that_is_recorded_on_elsewhere() -> None:
    """What a link below its best carries is told, and is not the medium's."""
    path = PathNow(key=PATH, link_now_bytes_per_s=500 * MB, link_best_bytes_per_s=1212 * MB)
    slow = a_soak(ROLE, 5, 190 * MB)

    away = weighed(a_past(slow, facts=AWAY | {"path": path}))[(K.FLOOR_UNDER_DEMAND, "")]
    fixed = weighed(a_past(slow, facts={"path": path}))[(K.FLOOR_UNDER_DEMAND, "")]

    assert away.sight is Sight.PRESENT
    assert not away.predicts_lost_frames
    assert fixed.predicts_lost_frames


def test_what_sank_within_one_look_is_the_medium_s_own_whatever_the_reader() -> None:
    """The same reader carried more at first, so it is not what holds the medium back in the end."""
    path = PathNow(key=PATH, link_now_bytes_per_s=500 * MB, link_best_bytes_per_s=1212 * MB)
    sank = a_soak(ROLE, 5, 190 * MB, mean_bytes_per_s=240 * MB)
    limited = replace(sank, path_limited=True)

    own = weighed(a_past(sank, facts=AWAY | {"path": path}))[(K.FLOOR_UNDER_DEMAND, "")]
    reader_s = weighed(a_past(limited, facts=AWAY | {"path": path}))[(K.FLOOR_UNDER_DEMAND, "")]

    assert own.predicts_lost_frames
    assert not reader_s.predicts_lost_frames


def test_a_medium_that_never_was_fit_and_sinks_is_foretold() -> None:
    """One that fell short at its first look is held against that; as low as before foretells nothing."""
    visits = (a_soak(ROLE, 150, 238 * MB), a_soak(ROLE, 70, 236 * MB), a_soak(ROLE, 5, 212 * MB))

    sinks = weighed(a_past(*visits, facts=AWAY))[(K.FLOOR_UNDER_DEMAND, "")]
    stays = weighed(a_past(*visits[:2], a_soak(ROLE, 5, 232 * MB), facts=AWAY))[(K.FLOOR_UNDER_DEMAND, "")]

    assert sinks.predicts_lost_frames
    assert not stays.predicts_lost_frames
    assert stays.sight is Sight.PRESENT


@pytest.mark.parametrize(("rate", "foretells"), [(110 * MB, False), (220 * MB, True)])
def test_repeated_transfers_foretell_what_the_slowest_link_step_would_not_carry(
    rate: float, foretells: bool
) -> None:
    """A SATA link that goes on failing ends at 1.5 Gb/s, of which some 132 MB/s are left."""
    role = a_role(rate=rate)
    path = PathNow(key=PATH, bus=Bus.SATA, link_now_bytes_per_s=600 * MB, link_best_bytes_per_s=600 * MB)
    health = [a_health(d, interface_crc_errors=30 * (20 - d)) for d in range(20, 0, -1)]

    past = a_past(a_soak(role, 5, 450 * MB), health=tuple(health), facts={"path": path})
    found = weighed(past, role)[(K.INTERFACE_ERRORS, "")]

    assert found.sight is Sight.PRESENT
    assert found.predicts_lost_frames is foretells


@pytest.mark.parametrize(
    ("rate", "errors", "foretells"),
    [(110 * MB, 30, False), (110 * MB, 0, True), (220 * MB, 30, True)],
    ids=["the link holds", "not the link", "the link does not hold"],
)
def test_a_sinking_link_that_carries_the_rate_at_its_end_foretells_no_lost_frames(
    rate: float, errors: int, foretells: bool
) -> None:
    """Its course is told all the same; it foretells them where the drive sinks or the link ends too low."""
    role = a_role(rate=rate)
    path = PathNow(key=PATH, bus=Bus.SATA, link_now_bytes_per_s=600 * MB, link_best_bytes_per_s=600 * MB)
    health = [a_health(d, interface_crc_errors=errors * (20 - d)) for d in range(20, 0, -1)]
    sinking = [a_spot(d, 540 * MB * (0.985 ** max(0, 30 - d))) for d in range(90, 0, -1)]

    past = a_past(a_soak(role, 95, 450 * MB), *sinking, health=tuple(health), facts={"path": path})
    found = weighed(past, role)[(K.FLOOR_STEPPED_DOWN, "")]

    assert found.sight is Sight.PRESENT
    assert found.predicts_lost_frames is foretells


@pytest.mark.parametrize(("watch", "foretells"), [(None, False), (Watch(horizon_days=120), True)])
def test_lost_frames_three_months_ahead_are_told_only_where_the_role_looks_so_far(
    watch: Watch | None, foretells: bool
) -> None:
    """Seven percent a month is beneath the demand soon and beneath the rate in some ninety days."""
    role = a_role(watch=watch)
    past = a_past(*(a_soak(role, 30 * (5 - i), 360 * MB * 0.93**i) for i in range(6)))

    found = weighed(past, role)[(K.FLOOR_WILL_MEET_DEMAND, "")]

    assert found.sight is Sight.PRESENT
    assert found.predicts_lost_frames is foretells


@pytest.mark.parametrize(("a_month", "waits"), [(0.93, True), (0.70, False)])
def test_a_date_far_ahead_must_stand_for_days_before_the_alert_grows_more_severe(
    a_month: float, waits: bool
) -> None:
    """What may be gone with the next probe waits; where frames are lost within three weeks nothing does."""
    role = a_role(watch=Watch(horizon_days=120))
    newest = 245 * MB if waits else 242 * MB
    past = a_past(*(a_soak(role, 30 * i, newest / a_month**i) for i in range(6)))

    found = weighed(past, role)[(K.FLOOR_WILL_MEET_DEMAND, "")]

    assert found.predicts_lost_frames
    assert (found.worse_delay_s > 0) is waits


def test_once_beneath_the_demand_one_alert_tells_the_course_with_its_date() -> None:
    """The forecast is not raised beside it for the same fall; one that stands already stays as it is."""
    role = a_role(watch=Watch(horizon_days=120))
    falling = [
        a_soak(role, 1 + 30 * (6 - i), 360 * MB * 0.93**i) for i in range(7)
    ]  # 250, then 233 MB/s of 240
    ahead = weighed(a_past(*falling[:-1]), role, days_ago(29))
    beneath = weighed(a_past(*falling), role)
    forecast, floor = (beneath[kind, ""] for kind in (K.FLOOR_WILL_MEET_DEMAND, K.FLOOR_UNDER_DEMAND))

    assert ahead[K.FLOOR_WILL_MEET_DEMAND, ""].sight is Sight.PRESENT
    assert ahead[K.FLOOR_UNDER_DEMAND, ""].sight is not Sight.PRESENT
    assert forecast.sight is Sight.BETWEEN
    assert (floor.sight, floor.predicts_lost_frames) == (Sight.PRESENT, True)
    assert floor.act_by == forecast.act_by is not None
    assert any("falling; it meets 200 MB/s likely on" in sentence for sentence in floor.why)


def test_an_alert_that_stays_because_it_comes_and_goes_says_that_it_is_better() -> None:
    """What is kept of the last look says why it is over, and no more what was wrong."""
    found = weighed(a_past(*SOUND))[(K.FLOOR_UNDER_DEMAND, "")]

    assert (found.sight, found.returning_s) == (Sight.ABSENT, 30 * 86_400.0)
    assert found.why == (found.because,)
    assert "does better" in found.why[0]
    low = weighed(a_past(a_soak(ROLE, 1, 150 * MB)))[(K.MARGIN_THIN, "")]
    assert low.headline.endswith("that alert took over.")
    assert weighed(a_past(*SOUND))[(K.READ_BACK_DIFFERS, "")].returning_s == 0.0


@pytest.mark.parametrize("kind", [K.FLOOR_UNDER_DEMAND, K.MARGIN_THIN, K.STALLS_BEYOND_BUFFER, K.TOO_HOT])
def test_what_a_person_ends_by_giving_another_role_is_over_at_once(kind: ConditionKind) -> None:
    """It need not be watched for coming back: nothing asks for it any more."""
    found = weighed(a_past(*SOUND), a_role(streams=()))[(kind, "")]

    assert (found.sight, found.returning_s) == (Sight.ABSENT, 0.0)


def test_a_drive_that_was_never_trimmed_is_not_news() -> None:
    """Without trim from its first probe on, nothing has stopped."""
    past = a_past(*SOUND, facts={"trim": False})

    assert weighed(past)[(K.TRIM_STOPPED, "")].sight is Sight.ABSENT


def test_a_week_without_a_new_peak_is_a_pause_in_filling_up() -> None:
    """Far above its usual peaks, but not higher than last week: neither raised anew nor cleared."""
    level = [a_spot(d, 900 * MB, fill_start=0.3 + 0.1 * (d % 7) / 7) for d in range(150, 40, -1)]
    rising = [a_spot(d, 900 * MB, fill_start=0.4 + 0.01 * (40 - d)) for d in range(40, 14, -1)]
    resting = [a_spot(d, 900 * MB, fill_start=0.6) for d in range(14, 0, -1)]

    past = a_past(a_soak(ROLE, 10, 300 * MB), *level, *rising, *resting, facts={"fill": 0.6})

    assert weighed(past)[(K.NEARLY_FULL, "")].sight is Sight.BETWEEN


def test_a_drive_that_fills_up_for_good_is_foreseen() -> None:
    """Weekly peaks that rise above the usual ones are foreseen; ebb and flow is not."""
    level = [a_spot(d, 900 * MB, fill_start=0.3 + 0.1 * (d % 7) / 7) for d in range(150, 40, -1)]
    rising = [a_spot(d, 900 * MB, fill_start=0.4 + 0.01 * (40 - d)) for d in range(40, 0, -1)]
    soak = a_soak(ROLE, 10, 300 * MB)

    def weigh_it(*probes: ProbePoint) -> Condition:
        return weighed(a_past(soak, *probes, facts={"fill": 0.7}))[(K.NEARLY_FULL, "")]

    assert weigh_it(*level, *rising).sight is Sight.PRESENT
    assert weigh_it(*level, *rising).predicts_lost_frames
    assert weigh_it(*level).sight is Sight.ABSENT


def test_the_rise_of_one_project_is_not_taken_for_the_rise_of_the_drive() -> None:
    """Each project's peak lies a little higher; within a project the fill climbs five times as steeply."""

    def fill(day: int) -> float:
        return 0.25 + 0.0011 * day + 0.3 * (day % 45) / 45

    probes = [a_spot(180 - d, 900 * MB, fill_start=fill(d)) for d in range(180)]
    past = a_past(a_soak(ROLE, 10, 300 * MB), *probes, facts={"fill": fill(179)})

    assert weighed(past)[(K.NEARLY_FULL, "")].sight is not Sight.PRESENT


def _marginal_after(
    used: int, *floors_mb: float, every_days: int = 30, hottest_c: tuple[float, float] = (60.0, 60.0)
) -> Condition:
    soaks = [
        a_soak(ROLE, 1 + every_days * i, floor * MB, temperature_hottest_c=hottest_c[0 if i else 1])
        for i, floor in enumerate(reversed(floors_mb))
    ]
    scattered = [a_spot(d + 0.5, 900 * MB * 1.03 ** (-1) ** d) for d in range(60)]
    past = a_past(*soaks, *scattered, health=(a_health(1, percentage_used=used),))
    return weighed(past)[(K.FLOOR_UNDER_DEMAND, "")]


def test_a_fall_that_scatter_might_explain_is_believed_where_wear_says_the_same() -> None:
    """Beneath its demand after two lower soaks: past its rated endurance that foretells lost frames."""
    falling = (307.0, 282.0, 265.0, 278.0, 291.0, 268.0, 226.0)

    assert _marginal_after(107, *falling).predicts_lost_frames
    assert not _marginal_after(20, *falling).predicts_lost_frames


def test_a_fall_that_scatter_might_explain_is_believed_where_heat_says_the_same() -> None:
    """Twelve degrees hotter than at first, near where it throttles, and sunk as far as a worn drive."""
    falling = (307.0, 282.0, 265.0, 278.0, 291.0, 268.0, 226.0)

    assert _marginal_after(20, *falling, hottest_c=(58.0, 70.0)).predicts_lost_frames
    assert not _marginal_after(20, *falling, hottest_c=(70.0, 70.0)).predicts_lost_frames
    assert not _marginal_after(20, *falling, hottest_c=(38.0, 50.0)).predicts_lost_frames


def test_a_worn_drive_is_not_called_by_one_low_soak_before_it_is_known() -> None:
    """Two soaks do not tell what is usual; its next one comes within a week anyway."""
    assert not _marginal_after(107, 300, 302, 226, every_days=15).predicts_lost_frames
    assert _marginal_after(107, 300, 302, 299, 301, 226, every_days=15).predicts_lost_frames


def test_a_worn_drive_that_was_as_low_before_and_came_back_is_not_called() -> None:
    """It sinks when a project fills it and rises when that is gone: no wear does so."""
    falling = (307.0, 282.0, 265.0, 278.0, 291.0, 268.0, 226.0)
    came_back = (307.0, 224.0, 265.0, 278.0, 291.0, 268.0, 226.0)

    assert _marginal_after(107, *falling).predicts_lost_frames
    assert not _marginal_after(107, *came_back).predicts_lost_frames


def test_a_worn_drive_whose_soaks_always_scattered_so_is_not_called() -> None:
    """Its spots are steady, its soaks are not: what they differed by tells how low chance brings one."""
    scattered = (305.0, 262.0, 309.0, 258.0, 300.0, 264.0, 306.0, 226.0)

    assert not _marginal_after(107, *scattered).predicts_lost_frames


def test_a_worn_drive_that_sinks_slowly_is_not_called_early() -> None:
    """Eight percent beneath its usual floor after nine months: the rate lies further off than the horizon."""
    slow = (262.0, 258.0, 256.0, 252.0, 250.0, 248.0, 246.0, 244.0, 242.0, 234.0)

    assert not _marginal_after(107, *slow).predicts_lost_frames


@pytest.mark.parametrize(
    ("newest_mb", "stops_s", "foretells"),
    [
        (380, (0.0, 0.0, 0.1, 0.0, 0.6), True),
        (500, (0.0, 0.0, 0.1, 0.0, 0.6), False),
        (380, (0.0, 0.0, 0.4, 0.0, 0.6), False),
        (380, (0.0, 0.0, 0.1, 0.0, 0.2), False),
        (380, (0.1, 0.0, 0.6), False),
    ],
    ids=["stops and slower", "as fast as usual", "stopped before", "short of the buffer", "too few soaks"],
)
def test_a_slower_soak_that_stops_where_none_did_is_on_its_way_beyond_the_buffer(
    newest_mb: float, stops_s: tuple[float, ...], foretells: bool
) -> None:
    """A medium that tries again and again grows slower and stops; its spots are too short to meet a stop."""
    floors = [newest_mb if i == 0 else 500 for i in range(len(stops_s))]
    soaks = [
        a_soak(ROLE, 2 + 20 * i, floor * MB, longest_stall_s=stop or None)
        for i, (floor, stop) in enumerate(zip(floors, reversed(stops_s), strict=True))
    ]

    found = weighed(a_past(*soaks))[(K.STALLS_BEYOND_BUFFER, "")]

    assert (found.sight is Sight.PRESENT, found.predicts_lost_frames) == (foretells, foretells)


@pytest.mark.parametrize("kind", list(RoleKind))
def test_what_begins_to_foretell_lost_frames_grows_more_severe(kind: RoleKind) -> None:
    """Between not foretelling and foretelling lies a step of severity, so that it is told."""
    role = a_role(kind=kind)
    early = weighed(a_past(a_soak(role, 1, 220 * MB)), role)[(K.FLOOR_UNDER_DEMAND, "")]
    late = weighed(a_past(a_soak(role, 1, 150 * MB)), role)[(K.FLOOR_UNDER_DEMAND, "")]

    assert (early.predicts_lost_frames, late.predicts_lost_frames) == (False, True)
    assert late.severity.order > early.severity.order


def test_a_host_heard_again_is_not_told_to_be_silent() -> None:
    """Its alert may stay for a while, since it keeps falling silent; what it says is what is so now."""
    facts = HostFacts(host_id="h", name="edit-1", heard_at=days_ago(0.1))
    (again,) = weigh_host(facts, now=NOW)
    (silent,) = weigh_host(replace(facts, heard_at=days_ago(10)), now=NOW)

    assert "not heard of since" in silent.headline
    assert "It reports again." in again.headline
    assert "not heard of" not in again.headline
    assert again.next_step != silent.next_step


@pytest.mark.parametrize("change", [{"retired": "sold"}, {"show": True}])
def test_a_host_that_need_not_report_is_cleared_at_once(change: dict[str, Any]) -> None:
    """However often it fell silent before: retired or on a show it is not held to it."""
    facts = HostFacts(host_id="h", name="edit-1", heard_at=days_ago(0.1))
    (reports,) = weigh_host(facts, now=NOW)
    (excused,) = weigh_host(replace(facts, **change), now=NOW)

    assert excused.sight is Sight.ABSENT
    assert (reports.returning_s > 0, excused.returning_s) == (True, 0.0)
