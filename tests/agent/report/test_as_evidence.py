"""A reported probe as evidence: nothing lost on the way; what cannot be judged is refused with a sentence."""

from datetime import UTC, datetime
from typing import Any

import pytest
from ebbmark_agent.definitions import demand_named
from ebbmark_agent.evidence import Bus, ProbeKind, ProbeOutcome, ReasonCode, Standing, fit
from ebbmark_agent.report import (
    DiscardState,
    FileLayout,
    PathFacts,
    ProbeResult,
    RehearsalFigures,
    TraceDocument,
    WriteFault,
    evidence_of,
)

STARTED = datetime(2026, 3, 1, tzinfo=UTC)


def _result(**facts: Any) -> ProbeResult:
    base: dict[str, Any] = {
        "probe_id": "p-1",
        "kind": ProbeKind.SOAK,
        "started_at": STARTED,
        "duration_s": 20.0,
        "outcome": ProbeOutcome.COMPLETED,
        "bytes_written": 4_000_000_000,
        "block_bytes": 8_000_000,
        "layout": FileLayout.PREALLOCATED,
        "file_system": "exfat",
        "path": PathFacts(bus=Bus.USB, uas=True, link_now="10 Gb/s", link_now_bytes_per_s=1.2121e9),
        "trace": (TraceDocument(step_us=(40_000,) * 500, step_bytes=(8_000_000,) * 500),),
        "discard": DiscardState.ASKED,
        "fill_start": 0.1,
        "fill_end": 0.4,
        "rest_before_s": 60.0,
        "temperature_hottest_c": 55.0,
        "read_back_ok": True,
    }
    return ProbeResult(**(base | facts))


def test_every_fact_arrives() -> None:
    """What the report says of a probe stands in its evidence."""
    found = evidence_of(_result(), capacity_bytes=10_000_000_000, rotational=False)

    assert found.figures.mean_bytes_per_s == pytest.approx(200e6)
    assert len(found.segments) == 1
    assert (found.kind, found.outcome, found.started_at) == ("soak", "completed", STARTED)
    assert (found.file_system, found.layout, found.discard) == ("exfat", "preallocated", "asked")
    assert (found.fill_start, found.fill_end, found.rest_before_s) == (0.1, 0.4, 60.0)
    assert (found.hottest_c, found.read_back_ok, found.capacity_bytes) == (55.0, True, 10_000_000_000)
    assert found.path.key == "usb/direct/uas/10 Gb/s"
    assert found.path.link_now_bytes_per_s == 1.2121e9


def test_a_partition_is_judged_by_its_own_size() -> None:
    """A soak over a whole volume covers it, however large the drive; without its size, the drive's counts."""
    whole = _result(fill_start=0.0, fill_end=1.0, rest_before_s=3e4)
    small = whole.model_copy(update={"volume_bytes": 4_000_000_000})
    demand = demand_named("100MB/s")
    big_drive = 10_000_000_000_000

    assert evidence_of(small, capacity_bytes=big_drive).capacity_bytes == 4_000_000_000
    assert fit(evidence_of(small, capacity_bytes=big_drive), demand).standing is Standing.FIT
    assert fit(evidence_of(whole, capacity_bytes=big_drive), demand).standing is Standing.UNPROVEN


def test_a_fault_and_a_rehearsal_arrive() -> None:
    """A refused write comes as its sentence, a rehearsal with all its counts."""
    fault = WriteFault(operation="write", errno_name="EIO", at_byte=5, sentence="refused at 5")
    counts = RehearsalFigures(
        rate_bytes_per_s=100e6,
        buffer_bytes=100,
        frames=10,
        late_frames=1,
        high_water_bytes=90,
        seams=2,
        longest_seam_s=0.4,
    )
    found = evidence_of(_result(fault=fault, rehearsal=counts))

    assert found.fault == "refused at 5"
    assert found.rehearsal is not None
    assert (found.rehearsal.frames, found.rehearsal.late_frames, found.rehearsal.seams) == (10, 1, 2)


def test_a_full_volume_is_no_fault_of_the_drive() -> None:
    """A probe that others' files left no room for proves nothing, and holds nothing against the drive."""
    filled = WriteFault(
        operation="write", errno_name="ENOSPC", at_byte=5, sentence="filled by others", of_drive=False
    )
    found = evidence_of(_result(fault=filled, outcome=ProbeOutcome.FAILED))
    judged = fit(found, demand_named("10MB/s"))

    assert found.fault is None
    assert judged.standing is Standing.UNPROVEN
    assert judged.reasons[0].code is ReasonCode.NOT_COMPLETED


def test_an_empty_segment_is_left_out() -> None:
    """A segment in which nothing was written, as after a pause that never ended, is no trace."""
    written = TraceDocument(step_us=(40_000,) * 50, step_bytes=(8_000_000,) * 50)
    found = evidence_of(_result(trace=(written, TraceDocument(step_us=(), step_bytes=()))))

    assert len(found.segments) == len(found.figures.segments) == 1


def test_a_trusted_clock_outweighs_the_senders() -> None:
    """The collector may say when a probe began, for a sender whose clock is wrong."""
    trusted = datetime(2026, 3, 2, tzinfo=UTC)

    assert evidence_of(_result(), started_at=trusted).started_at == trusted


def test_kept_figures_stand_in_for_a_thinned_trace() -> None:
    """Once a spot's trace is gone, its figures are handed in and used."""
    figures = evidence_of(_result()).figures
    found = evidence_of(_result(trace=(), kind=ProbeKind.SPOT), figures=figures)

    assert found.figures == figures
    assert found.segments == ()


@pytest.mark.parametrize(
    "trace",
    [
        (),
        (TraceDocument(step_us=(), step_bytes=()),),
        (TraceDocument(step_us=(0, 0), step_bytes=(1, 1)),),
    ],
    ids=["no segment", "an empty segment", "no time passed"],
)
def test_a_probe_that_shows_nothing_is_refused(trace: tuple[TraceDocument, ...]) -> None:
    """Without a readable trace there is no evidence, and the error says why."""
    with pytest.raises(ValueError, match=r"wrote nothing|lasts 0 s"):
        evidence_of(_result(trace=trace))
