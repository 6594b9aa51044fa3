"""Turns a reported probe into the evidence of a judgement, alike at the bench and in the collector."""

from collections.abc import Sequence
from datetime import datetime

from ebbmark_agent.evidence import Figures, Path, ProbeEvidence, RehearsalFacts, Trace, read_trace
from ebbmark_agent.report.drive import PathFacts
from ebbmark_agent.report.probe import ProbeResult, TraceDocument


def traces_of(documents: Sequence[TraceDocument]) -> tuple[Trace, ...]:
    """Give the traces of a probe, one between two pauses; segments in which nothing was written are left out.

    Raises:
        ValueError: If a document is no trace (empty, no bytes, no time); the sentence says why.
    """
    return tuple(Trace.from_steps(each.step_us, each.step_bytes) for each in documents if each.step_us)


def path_of(facts: PathFacts) -> Path:
    """Give a path as the judgement sees it."""
    return Path(
        bus=facts.bus,
        key=facts.key(),
        bridge=facts.bridge,
        uas=facts.uas,
        link_now=facts.link_now,
        link_best=facts.link_best,
        link_now_bytes_per_s=facts.link_now_bytes_per_s,
        link_best_bytes_per_s=facts.link_best_bytes_per_s,
    )


def evidence_of(
    result: ProbeResult,
    *,
    started_at: datetime | None = None,
    capacity_bytes: int | None = None,
    rotational: bool | None = None,
    debt_before_bytes: float = 0.0,
    figures: Figures | None = None,
    buffer_s: float = 1.0,
) -> ProbeEvidence:
    """Give a reported probe as evidence.

    Args:
        result: The probe as reported.
        started_at: When it began by a clock that is trusted more than the sender's; None takes the sender's.
        capacity_bytes: Size of the drive or volume [bytes] where the probe itself does not tell its volume's;
            None where not known.
        rotational: Whether the drive has tracks; None where not known.
        debt_before_bytes: What had been written before it since the last rest or erase [bytes].
        figures: Its figures, where they were read before and the trace is gone.
        buffer_s: The buffer in which its steady state is read [s].

    Returns:
        The evidence.

    Raises:
        ValueError: If there are neither figures nor a readable trace, as of a probe that wrote nothing.
    """
    segments = traces_of(result.trace)
    return ProbeEvidence(
        figures=figures or read_trace(segments, buffer_s=buffer_s, rotating=rotational),
        segments=segments,
        kind=result.kind,
        outcome=result.outcome,
        started_at=started_at or result.started_at,
        path=path_of(result.path),
        file_system=result.file_system,
        layout=result.layout,
        soak_end=result.soak_end,
        capacity_bytes=result.volume_bytes or capacity_bytes,
        rotational=rotational,
        fill_start=result.fill_start,
        fill_end=result.fill_end,
        position_start=result.position_start,
        position_end=result.position_end,
        rest_before_s=result.rest_before_s,
        debt_before_bytes=debt_before_bytes,
        discard=result.discard,
        hottest_c=result.temperature_hottest_c,
        read_back_ok=result.read_back_ok,
        fault=result.drive_fault.sentence if result.drive_fault else None,
        rehearsal=_rehearsal(result),
    )


def _rehearsal(result: ProbeResult) -> RehearsalFacts | None:
    facts = result.rehearsal
    if facts is None:
        return None
    return RehearsalFacts(
        rate_bytes_per_s=facts.rate_bytes_per_s,
        buffer_bytes=facts.buffer_bytes,
        frames=facts.frames,
        late_frames=facts.late_frames,
        high_water_bytes=facts.high_water_bytes,
        seams=facts.seams,
        longest_seam_s=facts.longest_seam_s,
    )
