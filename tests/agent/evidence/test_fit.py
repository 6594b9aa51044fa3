"""The standing of one drive from one probe: every rule, at, just under and just over its edge."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from ebbmark_agent.evidence import (
    Bus,
    Demand,
    InUse,
    MinutesKind,
    Path,
    Pattern,
    ProbeKind,
    ProbeOutcome,
    ReasonCode,
    RehearsalFacts,
    Shape,
    Side,
    SoakEnd,
    Standing,
    Trace,
    bare_rate,
    demand_of_format,
    fit,
    fit_list,
    lowered_by,
)
from hypothesis import example, given
from hypothesis import strategies as st

from tests.agent.evidence.judging import GB, MB, asked, evidence, staged
from tests.agent.evidence.simulated import (
    SimulatedDrive,
    falling_with_bytes,
    stages,
    toward_inner_tracks,
)

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
CLIFF = staged((400 * MB, 20 * GB), (150 * MB, 30 * GB), block_bytes=32 * MB)
FLAT = staged((300 * MB, 40 * GB), block_bytes=32 * MB)


def _rehearsed(demand: Demand, written_bytes: float = 50 * GB, **facts: Any) -> Any:
    trace = staged((demand.rate_bytes_per_s, written_bytes), block_bytes=32 * MB)
    counts = {
        "rate_bytes_per_s": demand.rate_bytes_per_s,
        "buffer_bytes": demand.buffer_bytes,
        "frames": 1000,
        "late_frames": 0,
        "high_water_bytes": demand.buffer_bytes / 2,
    }
    return evidence(trace, kind=ProbeKind.REHEARSAL, rehearsal=RehearsalFacts(**(counts | facts)))


# Floor against rate and demand.


def test_a_floor_above_the_demand_over_the_whole_medium_is_fit() -> None:
    """Carrying the demand over all that the role fills is fit, and without end once settled."""
    judged = fit(evidence(CLIFF), asked(100, headroom=1.2))

    assert judged.standing is Standing.FIT
    assert judged.reasons[0].code is ReasonCode.CARRIES_DEMAND
    assert judged.from_rest.kind is MinutesKind.UNLIMITED
    assert judged.margin == pytest.approx(150 / 120 - 1, rel=1e-3)


def test_a_floor_between_rate_and_demand_is_marginal_with_its_rule() -> None:
    """Carrying the recording without its headroom is marginal, with the rule in words."""
    judged = fit(evidence(CLIFF), asked(140, headroom=1.2))

    assert judged.standing is Standing.MARGINAL
    assert judged.rule is not None
    assert "only for takes up to" in judged.rule
    assert "not as the sole medium" in judged.rule


def test_a_large_buffer_does_not_lift_the_floor_above_the_slowest_end() -> None:
    """1.5 GB at 100 and 2.8 GB at 140 MB/s end at 4.3 GB in 35 s, whatever the buffer bridges."""
    trace = staged((300 * MB, 3 * GB), (100 * MB, 1.5 * GB), (140 * MB, 2.8 * GB))
    judged = fit(evidence(trace), asked(100, headroom=1.3, buffer_s=6))

    assert judged.floor_bytes_per_s == pytest.approx(4.3 * GB / 35, rel=1e-3)
    assert judged.standing is Standing.MARGINAL


def test_a_floor_below_the_rate_is_unfit_whatever_the_reach() -> None:
    """A shown failure needs no whole pass."""
    judged = fit(evidence(CLIFF, capacity_bytes=int(2e12)), asked(160))

    assert judged.standing is Standing.UNFIT
    assert judged.reasons[0].code is ReasonCode.BELOW_RATE
    assert "20 GB" in judged.reasons[0].sentence


@pytest.mark.parametrize(
    ("rate_mb", "headroom", "standing"),
    [
        (299.9, 1.0, Standing.FIT),
        (300.1, 1.0, Standing.UNFIT),
        (249.9, 1.2, Standing.FIT),
        (250.1, 1.2, Standing.MARGINAL),
        (299.9, 1.2, Standing.MARGINAL),
    ],
)
def test_the_edges_of_the_standings(rate_mb: float, headroom: float, standing: Standing) -> None:
    """Just under and just over the rate and the demand the standing changes."""
    assert fit(evidence(FLAT), asked(rate_mb, headroom=headroom)).standing is standing


# Reach.


def test_flat_is_not_settled() -> None:
    """Five flat rounds with no cliff and no whole pass prove nothing beyond what was written."""
    judged = fit(evidence(FLAT, capacity_bytes=int(500 * GB)), asked(200))

    assert judged.standing is Standing.UNPROVEN
    assert judged.reasons[0].code is ReasonCode.FLAT_SO_FAR
    assert judged.from_rest.kind is MinutesKind.PROVEN_FOR
    assert judged.from_rest.minutes == pytest.approx(40e9 / 200e6 / 60)


def test_a_cliff_after_five_flat_rounds_comes_out() -> None:
    """A cliff that lies behind a flat stretch of minutes is the verdict once it is written to."""
    trace = SimulatedDrive(rate=stages((0, 300 * MB), (120 * GB, 90 * MB)), jitter=0.05).write(150 * GB)
    short = SimulatedDrive(rate=stages((0, 300 * MB), (120 * GB, 90 * MB)), jitter=0.05).write(100 * GB)

    assert fit(evidence(short, capacity_bytes=int(250 * GB)), asked(200)).standing is Standing.UNPROVEN
    assert fit(evidence(trace, capacity_bytes=int(250 * GB)), asked(200)).standing is Standing.UNFIT


def test_settled_past_a_cliff_reaches_the_whole_medium() -> None:
    """Settled past a found cliff, the rest of the medium need not be written."""
    trace = SimulatedDrive(rate=stages((0, 400 * MB), (20 * GB, 150 * MB)), jitter=0.05).write(60 * GB)
    judged = fit(evidence(trace, capacity_bytes=int(1000 * GB)), asked(100))

    assert judged.standing is Standing.FIT
    assert judged.whole_medium.kind is MinutesKind.UNLIMITED


@pytest.mark.parametrize("shape", [Shape.THERMAL_SAG, Shape.SLOW_SLIDE, Shape.INNER_TRACKS])
def test_a_rate_still_moving_past_a_cliff_is_not_settled(shape: Shape) -> None:
    """Steady rounds past a cliff do not settle a drive that sags with heat or keeps sliding."""
    probe = evidence(CLIFF, capacity_bytes=int(1000 * GB))
    moving = replace(probe, figures=replace(probe.figures, pattern=Pattern(shape=shape, slide_share=0.2)))

    assert fit(probe, asked(100)).standing is Standing.FIT
    assert fit(moving, asked(100)).standing is Standing.UNPROVEN


def test_not_yet_settled_past_a_cliff_is_unproven() -> None:
    """Seconds past a cliff are no five rounds."""
    trace = staged((400 * MB, 20 * GB), (150 * MB, 3 * GB))

    assert fit(evidence(trace, capacity_bytes=int(1000 * GB)), asked(100)).standing is Standing.UNPROVEN


def test_a_disk_whose_inner_tracks_were_not_seen_is_unproven() -> None:
    """A disk that carries the demand halfway in is unproven, and fails once its inner tracks are seen."""
    capacity = 400 * GB
    drive = SimulatedDrive(rate=toward_inner_tracks(240 * MB, 110 * MB, capacity), block_bytes=64 * 2**20)
    facts = {"rotational": True, "capacity_bytes": int(capacity), "position_start": 0.0}
    half = evidence(drive.write(capacity / 2), position_end=0.5, **facts)
    whole = evidence(drive.write(capacity), position_end=1.0, **facts)

    first, second = fit(half, asked(150)), fit(whole, asked(150))

    assert first.standing is Standing.UNPROVEN
    assert first.reasons[0].code is ReasonCode.INNER_TRACKS_UNSEEN
    assert second.standing is Standing.UNFIT


def test_a_shingled_disk_that_stalls_past_its_cache_is_unfit() -> None:
    """Stalls of tens of seconds past the cache fail a recorder, though the average would pass."""
    drive = SimulatedDrive(
        rate=stages((0, 190 * MB)),
        stall_every_bytes=8 * GB,
        stall_s=25,
        stalls_from_byte=25 * GB,
        jitter=0.03,
        block_bytes=16 * 2**20,
    )
    probe = evidence(drive.write(90 * GB), rotational=True)
    judged = fit(probe, asked(100))

    assert probe.figures.mean_bytes_per_s > 100 * MB
    assert judged.standing is Standing.UNFIT
    assert judged.from_rest.kind is MinutesKind.LOST_AFTER


def test_a_slow_slide_does_not_settle() -> None:
    """A drive that keeps getting slower is not taken for settled short of a whole pass."""
    trace = SimulatedDrive(rate=falling_with_bytes(300 * MB, 150 * MB, 200 * GB), jitter=0.02).write(100 * GB)

    assert fit(evidence(trace, capacity_bytes=int(400 * GB)), asked(150)).standing is Standing.UNPROVEN


def test_a_disk_that_spins_up_is_not_judged_by_its_first_seconds() -> None:
    """Common practice, no source: a 7200 rpm disk's first seconds of spin-up are no floor."""
    trace = SimulatedDrive(rate=stages((0, 180 * MB)), start_up_s=6.0, jitter=0.02).write(40 * GB)
    judged = fit(evidence(trace), asked(150))

    assert judged.standing is Standing.FIT
    assert judged.floor_bytes_per_s == pytest.approx(180 * MB, rel=0.03)


def test_a_paused_soak_proves_no_whole_pass() -> None:
    """Two halves with a pause for heat between them are no whole pass."""
    judged = fit(evidence(FLAT, FLAT), asked(200))

    assert judged.standing is Standing.UNPROVEN
    assert judged.reasons[0].code is ReasonCode.PAUSED


def test_a_spot_never_proves_a_whole_medium() -> None:
    """A spot as long as the medium is still a spot."""
    assert fit(evidence(FLAT, kind=ProbeKind.SPOT), asked(200)).standing is Standing.UNPROVEN


def test_without_a_known_size_the_probes_own_word_is_taken() -> None:
    """Where the volume's size is not known, a soak that says it covered the medium did."""
    facts = {"capacity_bytes": None}

    assert fit(evidence(FLAT, **facts), asked(200)).standing is Standing.UNPROVEN
    whole = evidence(FLAT, soak_end=SoakEnd.WHOLE_MEDIUM, **facts)
    assert fit(whole, asked(200)).standing is Standing.FIT


def test_a_medium_claimed_whole_but_hardly_written_is_not() -> None:
    """A soak of a nearly full volume does not speak for the empty one that will be recorded on."""
    probe = evidence(FLAT, soak_end=SoakEnd.WHOLE_MEDIUM, capacity_bytes=int(1000 * GB), fill_start=0.95)

    assert fit(probe, asked(200)).standing is Standing.UNPROVEN
    only_the_rest = InUse(fills_bytes=40 * GB)
    assert fit(probe, asked(200), in_use=only_the_rest).standing is Standing.FIT


# Takes and rest.


def test_a_take_inside_the_reach_is_fit() -> None:
    """A role of takes of N minutes needs N minutes shown, not the medium."""
    probe = evidence(FLAT, capacity_bytes=int(500 * GB))

    assert fit(probe, asked(200, take_s=199)).standing is Standing.FIT
    longer = fit(probe, asked(200, take_s=201))
    assert longer.standing is Standing.UNPROVEN
    assert longer.reasons[0].code is ReasonCode.REACH_SHORT


def _rested(mb_per_s: float, take_s: float) -> Demand:
    base = demand_of_format(bare_rate(mb_per_s * MB), take_s=take_s)
    return Demand(
        name=base.name,
        rate_bytes_per_s=base.rate_bytes_per_s,
        buffer_bytes=base.buffer_bytes,
        take_s=take_s,
        rest_before_take_s=1800,
    )


def test_a_take_after_rest_may_live_on_the_cache() -> None:
    """A role that grants rest is judged by the first take alone: 20 GB of cache carry 100 s at 200 MB/s."""
    assert fit(evidence(CLIFF), _rested(200, take_s=95)).standing is Standing.FIT
    assert fit(evidence(CLIFF), _rested(200, take_s=140)).standing is Standing.UNFIT


def test_without_granted_rest_the_same_take_is_unfit() -> None:
    """Takes back to back meet the spent cache."""
    assert fit(evidence(CLIFF), asked(200, take_s=95)).standing is Standing.UNFIT


def test_a_probe_that_was_not_rested_cannot_fail_a_rested_take() -> None:
    """A probe that began with a spent cache shows too little: it may pass a drive, not fail one."""
    slow = staged((150 * MB, 30 * GB), block_bytes=32 * MB)

    tired = fit(evidence(slow, rest_before_s=10.0), _rested(200, take_s=60))
    assert tired.standing is Standing.UNPROVEN
    assert tired.reasons[0].code is ReasonCode.NOT_FROM_REST
    assert fit(evidence(slow), _rested(200, take_s=60)).standing is Standing.UNFIT
    owing = {"debt_before_bytes": GB}
    assert fit(evidence(slow, **owing), _rested(100, take_s=60)).standing is Standing.FIT
    assert fit(evidence(slow, **owing), _rested(200, take_s=60)).reasons[0].code is ReasonCode.NOT_FROM_REST


def test_a_debt_holds_a_fit_back() -> None:
    """Fit waits until rest or discard is shown, or a person says it was erased."""
    owing = fit(evidence(CLIFF), asked(100), in_use=InUse(debt_bytes=5 * GB))
    settled = fit(evidence(CLIFF), asked(100), in_use=InUse(debt_bytes=5 * GB, debt_settled=True))

    assert owing.standing is Standing.UNPROVEN
    assert owing.reasons[0].code is ReasonCode.DEBT
    assert settled.standing is Standing.FIT


def test_a_debt_shortens_the_minutes() -> None:
    """With 5 GB owed, 200 MB/s are lost 25 s earlier."""
    rested, owing = (
        fit(evidence(CLIFF), asked(200), in_use=InUse(debt_bytes=each)).from_rest.minutes
        for each in (0.0, 5 * GB)
    )

    assert rested is not None
    assert owing is not None
    assert rested - owing == pytest.approx(25 / 60)


# What says nothing.


@pytest.mark.parametrize(
    ("facts", "code"),
    [
        ({"outcome": ProbeOutcome.GAVE_WAY}, ReasonCode.GAVE_WAY),
        ({"outcome": ProbeOutcome.CANCELLED}, ReasonCode.NOT_COMPLETED),
        ({"outcome": ProbeOutcome.FAILED}, ReasonCode.NOT_COMPLETED),
        ({"kind": ProbeKind.READ}, ReasonCode.WRONG_SIDE),
    ],
)
@pytest.mark.parametrize("mb_per_s", [100, 1000])
def test_such_a_probe_never_counts(facts: dict[str, Any], code: ReasonCode, mb_per_s: float) -> None:
    """A probe that gave way, was cancelled or is of the other side neither passes nor fails a drive."""
    judged = fit(evidence(FLAT, **facts), asked(mb_per_s))

    assert judged.standing is Standing.UNPROVEN
    assert judged.reasons[0].code is code


def test_a_buffer_longer_than_the_trace_is_unproven() -> None:
    """A trace no longer than the buffer has no floor, and the drive is neither passed nor failed."""
    trace = staged((50 * MB, 100 * MB))
    judged = fit(evidence(trace), asked(100, buffer_s=2.0))

    assert judged.standing is Standing.UNPROVEN
    assert judged.floor_bytes_per_s is None
    assert judged.margin is None
    assert judged.reasons[0].code is ReasonCode.BUFFER_LONGER_THAN_TRACE


def test_no_evidence_is_unproven() -> None:
    """Without a probe nothing is known, and the standing says so."""
    judged = fit(None, asked(100))

    assert judged.standing is Standing.UNPROVEN
    assert judged.reach is None
    assert judged.from_rest.minutes is None


def test_evidence_over_another_path_does_not_speak() -> None:
    """What was shown over one path is unproven over another, good or bad."""
    in_use = InUse(path_key="nvme/direct//pcie-4-x4")

    for mb_per_s in (100, 1000):
        judged = fit(evidence(FLAT), asked(mb_per_s), in_use=in_use)
        assert judged.standing is Standing.UNPROVEN
        assert judged.reasons[0].code is ReasonCode.OTHER_PATH


def test_evidence_through_another_file_system_does_not_speak() -> None:
    """ExFAT appends far slower than a drive writes: what ext4 showed does not hold for it."""
    judged = fit(evidence(FLAT), asked(100), in_use=InUse(file_system="exfat"))

    assert judged.reasons[0].code is ReasonCode.OTHER_FILE_SYSTEM


# Faults.


@pytest.mark.parametrize(
    ("facts", "code"),
    [
        ({"read_back_ok": False}, ReasonCode.READ_BACK_WRONG),
        ({"fault": "the kernel refused a write"}, ReasonCode.WRITE_FAULT),
        ({"fault": "refused", "outcome": ProbeOutcome.FAILED}, ReasonCode.WRITE_FAULT),
        ({"read_back_ok": False, "outcome": ProbeOutcome.GAVE_WAY}, ReasonCode.READ_BACK_WRONG),
    ],
)
def test_a_fault_makes_unfit_whatever_the_rate(facts: dict[str, Any], code: ReasonCode) -> None:
    """A refused write or data that came back changed outweighs any rate."""
    judged = fit(evidence(FLAT, **facts), asked(1))

    assert judged.standing is Standing.UNFIT
    assert judged.reasons[0].code is code


# Rehearsal.


def test_greedy_unfit_but_rehearsed_is_marginal() -> None:
    """A rehearsal that passed over the whole medium makes a greedy unfit marginal, with both shown."""
    demand = asked(200)
    judged = fit(evidence(CLIFF), demand, rehearsal=_rehearsed(demand))

    assert judged.standing is Standing.MARGINAL
    assert judged.has(ReasonCode.BELOW_RATE)
    assert judged.has(ReasonCode.REHEARSED)
    assert judged.rule is not None
    assert "51 C" in judged.rule


@pytest.mark.parametrize(
    "facts",
    [
        {"late_frames": 1},
        {"rate_bytes_per_s": 190 * MB},
        {"high_water_bytes": 300 * MB, "buffer_bytes": 400 * MB},
        {"frames": 0},
    ],
    ids=["a late frame", "a slower rate", "more buffer than the role has", "no frame"],
)
def test_a_rehearsal_that_does_not_pass_rescues_nothing(facts: dict[str, Any]) -> None:
    """Late frames, a lower rate, more buffer or nothing written leave the drive unfit."""
    demand = asked(200)

    assert fit(evidence(CLIFF), demand, rehearsal=_rehearsed(demand, **facts)).standing is Standing.UNFIT


def test_a_rehearsal_of_half_the_medium_rescues_nothing() -> None:
    """It has to cover what the role fills."""
    demand = asked(200)
    short = _rehearsed(demand, written_bytes=20 * GB)
    in_use = InUse(fills_bytes=50 * GB)

    assert fit(evidence(CLIFF), demand, rehearsal=short, in_use=in_use).standing is Standing.UNFIT


def test_a_rehearsal_that_was_called_off_rescues_nothing() -> None:
    """No late frame until it was called off is no pass."""
    demand = asked(200)
    called_off = replace(_rehearsed(demand), outcome=ProbeOutcome.CANCELLED)

    assert fit(evidence(CLIFF), demand, rehearsal=called_off).standing is Standing.UNFIT


def test_a_rehearsal_of_one_whole_take_is_enough_for_takes() -> None:
    """A role of takes needs a take rehearsed, not the medium."""
    demand = asked(200, take_s=60)
    in_use = InUse(fills_bytes=50 * GB)
    one_take, half = (_rehearsed(demand, written_bytes=each * GB) for each in (12, 6))

    assert fit(evidence(CLIFF), demand, rehearsal=one_take, in_use=in_use).standing is Standing.MARGINAL
    assert fit(evidence(CLIFF), demand, rehearsal=half, in_use=in_use).standing is Standing.UNFIT


def test_a_rehearsal_alone_is_marginal_at_most_and_may_fail() -> None:
    """Passed alone it is marginal; frames late at the role's own rate and buffer are a shown failure."""
    demand = asked(200)

    alone = fit(_rehearsed(demand), demand)
    assert alone.standing is Standing.MARGINAL
    assert alone.rule is not None
    assert "as rehearsed" in alone.rule
    assert fit(_rehearsed(demand, late_frames=3), demand).standing is Standing.UNFIT
    eased = _rehearsed(demand, late_frames=3, buffer_bytes=10 * MB)
    assert fit(eased, demand).standing is Standing.UNPROVEN


# Age, later evidence, lists.


def test_fit_and_marginal_age_into_unproven() -> None:
    """Past its validity evidence no longer speaks for a drive."""
    probe = evidence(CLIFF, started_at=NOW - timedelta(days=91))

    for demand in (asked(100), asked(140, headroom=1.2)):
        young = fit(probe, demand, now=NOW - timedelta(days=2), validity_days=90)
        old = fit(probe, demand, now=NOW, validity_days=90)
        assert young.standing in {Standing.FIT, Standing.MARGINAL}
        assert old.standing is Standing.UNPROVEN
        assert old.reasons[0].code is ReasonCode.AGED
        assert old.age_days == pytest.approx(91)


def test_a_shown_failure_does_not_heal_with_age() -> None:
    """Unfit stays unfit until better is shown, and says how old its evidence is."""
    probe = evidence(CLIFF, started_at=NOW - timedelta(days=400))
    judged = fit(probe, asked(200), now=NOW, validity_days=90)

    assert judged.standing is Standing.UNFIT
    assert judged.has(ReasonCode.AGED)


def test_a_later_spot_lowers_and_never_raises() -> None:
    """A spot below the rate lowers a fit; a good spot does not lift an unfit."""
    good, bad = fit(evidence(CLIFF), asked(100)), fit(evidence(CLIFF), asked(200))
    slow_spot = fit(evidence(staged((60 * MB, 2 * GB)), kind=ProbeKind.SPOT), asked(100))
    fast_spot = fit(evidence(FLAT, kind=ProbeKind.SPOT), asked(200))

    lowered = lowered_by(good, [slow_spot])

    assert lowered.standing is Standing.UNFIT
    assert lowered.reasons[0].code is ReasonCode.LOWERED_LATER
    assert lowered.floor_bytes_per_s == pytest.approx(60 * MB)
    assert lowered_by(bad, [fast_spot, slow_spot]) is bad
    assert lowered_by(good, []) is good


def test_a_spot_over_another_path_lowers_nothing() -> None:
    """A slow reader used later says nothing of the path the soak went over."""
    good = fit(evidence(CLIFF), asked(100))
    elsewhere = Path(bus=Bus.USB, key="usb/slow reader")
    slow = fit(evidence(staged((60 * MB, 2 * GB)), kind=ProbeKind.SPOT, path=elsewhere), asked(100))

    assert slow.standing is Standing.UNFIT
    assert lowered_by(good, [slow]) is good


def test_a_list_is_sorted_by_margin() -> None:
    """The widest margin comes first, and one probe answers for every demand."""
    listed = fit_list(evidence(CLIFF), [asked(each) for each in (300, 50, 140, 160)])

    assert [round(each.demand.rate_bytes_per_s / MB) for each in listed] == [50, 140, 160, 300]
    assert [each.standing for each in listed] == [
        Standing.FIT,
        Standing.FIT,
        Standing.UNFIT,
        Standing.UNFIT,
    ]


def test_a_list_agrees_with_single_judgements() -> None:
    """An entry of a list is what the drive is told when asked alone."""
    demand = asked(140, headroom=1.2)

    assert fit_list(evidence(CLIFF), [demand])[0] == fit(evidence(CLIFF), demand)


@pytest.mark.parametrize("rate_mb", [40, 80, 110, 140, 200, 350])
@pytest.mark.parametrize("headroom", [1.0, 1.2])
def test_a_soak_is_judged_alike_after_thinning(rate_mb: float, headroom: float) -> None:
    """A soak thinned for the wire gives the same standing, and minutes within half a percent."""
    drive = SimulatedDrive(
        rate=stages((0, 420 * MB), (30 * GB, 150 * MB)), jitter=0.3, stall_every_bytes=3 * GB, stall_s=0.7
    )
    full = drive.write(80 * GB)
    thin = Trace.from_steps(*full.to_steps(max_points=3000))
    demand = asked(rate_mb, headroom=headroom)

    before, after = fit(evidence(full), demand), fit(evidence(thin), demand)

    assert len(thin.times_s) < len(full.times_s) / 4
    assert after.standing is before.standing
    assert after.from_rest.kind is before.from_rest.kind
    assert after.floor_bytes_per_s == pytest.approx(before.floor_bytes_per_s, rel=0.005)
    if before.from_rest.minutes is not None:
        assert after.from_rest.minutes == pytest.approx(before.from_rest.minutes, rel=0.005)


# Reading.


def test_reading_is_judged_by_read_probes() -> None:
    """Playback of several streams is judged by what a read probe showed."""
    demand = demand_of_format(bare_rate(250 * MB), headroom=1.1, side=Side.READ, take_s=60)

    assert fit(evidence(FLAT, kind=ProbeKind.READ), demand).standing is Standing.FIT
    assert fit(evidence(FLAT), demand).reasons[0].code is ReasonCode.WRONG_SIDE


# Properties.

ORDER = {Standing.UNFIT: 0, Standing.MARGINAL: 1, Standing.UNPROVEN: 2, Standing.FIT: 2}


@given(st.floats(20, 500), st.floats(1.0, 10.0))
def test_asking_more_never_raises_a_standing(rate_mb: float, more: float) -> None:
    """A drive that fails a rate fails every higher one."""
    less_asked, more_asked = (
        fit(evidence(CLIFF), asked(each, headroom=1.2)) for each in (rate_mb, rate_mb * more)
    )

    assert ORDER[more_asked.standing] <= ORDER[less_asked.standing]


@given(st.integers(0, 39), st.floats(0.1, 3.0), st.floats(50, 400))
@example(at=16, stall_s=0.5, rate_mb=101.0)  # moved the last change point, and with it the lasting rate
def test_slowing_a_block_never_raises_a_standing(at: int, stall_s: float, rate_mb: float) -> None:
    """A drive that stalls once more is judged no better for it."""
    base = [(0.5, 150 * MB)] * 20 + [(0.5, 60 * MB)] * 20

    def judged(steps: list[tuple[float, float]]) -> Standing:
        times, totals = [0.0], [0.0]
        for seconds, count in steps:
            times.append(times[-1] + seconds)
            totals.append(totals[-1] + count)
        return fit(evidence(Trace.from_points(times, totals)), asked(rate_mb, headroom=1.2)).standing

    slowed = [(s + stall_s if i == at else s, n) for i, (s, n) in enumerate(base)]

    assert ORDER[judged(slowed)] <= ORDER[judged(base)]


@given(
    st.floats(30, 500),
    st.floats(1.0, 1.5),
    st.floats(0.0, 8.0),
    st.one_of(st.none(), st.floats(1, 300)),
)
def test_a_spot_is_judged_alike_without_its_trace(
    rate_mb: float, headroom: float, buffer_s: float, take_s: float | None
) -> None:
    """Once its trace is thinned away, a spot's figures give the same judgement."""
    demand = asked(rate_mb, headroom=headroom, buffer_s=buffer_s, take_s=take_s)
    with_trace = evidence(CLIFF, kind=ProbeKind.SPOT)
    without = evidence(CLIFF, kind=ProbeKind.SPOT, segments=())

    assert fit(without, demand) == fit(with_trace, demand)


@given(st.floats(30, 500))
def test_lost_means_below_the_demand(rate_mb: float) -> None:
    """Minutes to a loss are told where the floor of a soak past its cliff is below the demand, else not."""
    judged = fit(evidence(CLIFF), asked(rate_mb))
    assert judged.floor_bytes_per_s is not None

    if judged.from_rest.kind is MinutesKind.LOST_AFTER:
        assert judged.floor_bytes_per_s < judged.demand.demand_bytes_per_s
        assert judged.standing in {Standing.UNFIT, Standing.MARGINAL}
    if judged.floor_bytes_per_s < judged.demand.demand_bytes_per_s * 0.99:
        assert judged.from_rest.kind is MinutesKind.LOST_AFTER
