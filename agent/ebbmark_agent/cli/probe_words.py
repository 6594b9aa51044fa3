"""What the bench command says of a probe: one JSON object for programs, a few lines for people."""

from typing import Any

from ebbmark_agent.bench import Judged
from ebbmark_agent.evidence import Cliff, Fit, ProbeEvidence, Standing
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_minutes, spoken_rate
from ebbmark_agent.evidence.verdict import verdict
from ebbmark_agent.probe import largest_drop
from ebbmark_agent.report import ProbeKind, ProbeOutcome, ProbeResult, Refusal

EXIT_CODES = {Standing.FIT: 0, Standing.MARGINAL: 10, Standing.UNFIT: 11, Standing.UNPROVEN: 12}


def refused_document(refused: tuple[Refusal, ...]) -> dict[str, Any]:
    """Give refusals as a JSON object."""
    return {"refused": [one.model_dump(mode="json", exclude_none=True) for one in refused]}


def refused_lines(refused: tuple[Refusal, ...]) -> str:
    """Give refusals for people."""
    return "Refused, nothing was written.\n" + "\n".join(f"  {one.sentence}" for one in refused)


def probe_document(judged: Judged, *, buffer_s: float, notes: tuple[str, ...] = ()) -> dict[str, Any]:
    """Give a probe as a JSON object.

    Args:
        judged: The probe.
        buffer_s: The buffer its floor is for [s].
        notes: What was noticed beside it.
    """
    result, evidence = judged.result, judged.evidence
    document: dict[str, Any] = {
        "kind": result.kind.value,
        "outcome": result.outcome.value,
        "started_at": result.started_at.isoformat(),
        "duration_s": result.duration_s,
        "bytes_written": result.bytes_written,
        "bytes_read": result.bytes_read,
        "block_bytes": result.block_bytes,
        "read_back_ok": result.read_back_ok,
        "gave_way": result.outcome is ProbeOutcome.GAVE_WAY,
        "gave_way_to": result.gave_way_to,
        "fault": result.fault.model_dump(mode="json") if result.fault else None,
        "soak_end": result.soak_end.value if result.soak_end else None,
        "rehearsal": result.rehearsal.model_dump(mode="json") if result.rehearsal else None,
        "layout": result.layout.value,
        "file_system": result.file_system,
        "path": result.path.model_dump(mode="json", exclude_none=True),
        "discard": result.discard.value,
        "space_returned": result.space_returned,
        "fill_start": result.fill_start,
        "fill_end": result.fill_end,
        "temperature_hottest_c": result.temperature_hottest_c,
        "waited_for_data_s": result.waited_for_data_s,
        "buffer_s": buffer_s,
        "notes": list(notes),
        **_figures(evidence, buffer_s=buffer_s),
    }
    if judged.fit is not None:
        document |= _fit(judged.fit)
    return document


def _figures(evidence: ProbeEvidence | None, *, buffer_s: float) -> dict[str, Any]:
    if evidence is None:
        nothing = {"times_s": [0.0], "total_bytes": [0]}
        return {"floor_bytes_per_s": None, "cliffs": [], "trace": nothing}
    figures = evidence.figures
    floor = figures.floor(buffer_s=buffer_s)
    times_s, total_bytes, pauses = _joined(evidence)
    return {
        "floor_bytes_per_s": floor.bytes_per_s,
        "lasting_bytes_per_s": figures.lasting_bytes_per_s,
        "mean_bytes_per_s": figures.mean_bytes_per_s,
        "settled": floor.settled,
        "limited_by_length": floor.limited_by_length,
        "spread_robust_share": figures.spread.robust_share,
        "pattern": figures.pattern.shape.value,
        "ramp_s": figures.ramp_s,
        "stalls": {"count": figures.stalls.count, "longest_s": figures.stalls.longest_s},
        "cliffs": [
            {
                "at_bytes": cliff.at_bytes,
                "before_bytes_per_s": cliff.before_bytes_per_s,
                "after_bytes_per_s": cliff.after_bytes_per_s,
            }
            for cliff in figures.cliffs
        ],
        "trace": {"times_s": times_s, "total_bytes": total_bytes, "paused_at_bytes": pauses},
    }


def _joined(evidence: ProbeEvidence) -> tuple[list[float], list[float], list[float]]:
    """Lay the traces end to end, pauses left out; the first point is (0, 0)."""
    times_s: list[float] = [0.0]
    total_bytes: list[float] = [0]
    pauses: list[float] = []
    for number, segment in enumerate(evidence.segments):
        if number:
            pauses.append(total_bytes[-1])
        begin_s, begin = times_s[-1], total_bytes[-1]
        times_s.extend(begin_s + at for at in segment.times_s[1:])
        total_bytes.extend(begin + total for total in segment.total_bytes[1:])
    return times_s, total_bytes, pauses


def _fit(judged: Fit) -> dict[str, Any]:
    reach = judged.reach
    return {
        "standing": judged.standing.value,
        "asked": judged.demand.name,
        "demand_bytes_per_s": judged.demand.demand_bytes_per_s,
        "rate_bytes_per_s": judged.demand.rate_bytes_per_s,
        "headroom": judged.demand.headroom,
        "take_s": judged.demand.take_s,
        "judged_floor_bytes_per_s": judged.floor_bytes_per_s,
        "margin": judged.margin,
        "minutes_from_rest": judged.from_rest.minutes,
        "minutes_kind": judged.from_rest.kind.value,
        "whole_medium_minutes": judged.whole_medium.minutes,
        "whole_medium_minutes_kind": judged.whole_medium.kind.value,
        "rule": judged.rule,
        "path_limited": judged.path_limited,
        "reasons": [{"code": one.code.value, "sentence": one.sentence} for one in judged.reasons],
        "reach": None
        if reach is None
        else {
            "written_bytes": reach.written_bytes,
            "whole_medium": reach.whole_medium,
            "settled": reach.settled,
            "fill_start": reach.fill_start,
            "fill_end": reach.fill_end,
            "hottest_c": reach.hottest_c,
            "path": reach.path_name,
            "file_system": reach.file_system,
        },
    }


def probe_lines(judged: Judged, *, name: str, buffer_s: float, used_bytes: int | None = None) -> str:
    """Give a probe for people.

    Args:
        judged: The probe.
        name: What was probed.
        buffer_s: The buffer its floor is for [s].
        used_bytes: What lies on the volume [bytes].
    """
    result, evidence = judged.result, judged.evidence
    figures = evidence.figures if evidence else None
    if judged.fit is not None:
        lines = [verdict(judged.fit, figures, subject=name)]
    else:
        lines = [f"{name}: {result.kind.value}, nothing asked, so nothing judged"]
        if evidence is not None and figures is not None:
            floor = figures.floor(buffer_s=buffer_s)
            rows = [
                ("floor", f"{spoken_rate(floor.bytes_per_s)} with a buffer of {buffer_s:g} s"),
                ("mean", f"{spoken_rate(figures.mean_bytes_per_s)} over {figures.duration_s:.1f} s"),
            ]
            rows += [
                ("cliff", f"at {spoken_bytes(cliff.at_bytes)}, {_step(cliff)}") for cliff in figures.cliffs
            ]
            lines += [f"  {label:<10}{text}" for label, text in rows]
    lines += [f"  {label:<10}{text}" for label, text in _of_its_kind(judged, used_bytes)]
    lines += [f"  {label:<10}{text}" for label, text in _afterwards(result)]
    return "\n".join(lines)


def _step(cliff: Cliff) -> str:
    return f"from {spoken_rate(cliff.before_bytes_per_s)} to {spoken_rate(cliff.after_bytes_per_s)}"


def _of_its_kind(judged: Judged, used_bytes: int | None) -> list[tuple[str, str]]:
    """What only this kind of probe tells."""
    result, evidence = judged.result, judged.evidence
    rows: list[tuple[str, str]] = []
    if result.rehearsal is not None:
        told = result.rehearsal
        rows.append(("frames", f"{told.late_frames} of {told.frames} came late"))
        rows.append(
            ("buffer", f"{spoken_bytes(told.high_water_bytes)} of {spoken_bytes(told.buffer_bytes)} at most")
        )
        if told.seams:
            rows.append(("seams", f"{told.seams}, the longest {told.longest_seam_s:.2g} s"))
    if result.kind is ProbeKind.COPY and evidence is not None and evidence.segments:
        rows.append(("took", f"{evidence.figures.duration_s:.1f} s"))
        if (drop := largest_drop(evidence.segments[0])) is not None:
            rows.append(
                (
                    "drop",
                    f"to {spoken_rate(drop.rate_bytes_per_s)} at {spoken_bytes(drop.at_byte)}, the largest",
                )
            )
    if result.kind is ProbeKind.READ and evidence is not None and used_bytes:
        minutes = used_bytes / evidence.figures.mean_bytes_per_s / 60
        rows.append(
            ("offload", f"the {spoken_bytes(used_bytes)} on it read off in {spoken_minutes(minutes)}")
        )
    return rows


def _afterwards(result: ProbeResult) -> list[tuple[str, str]]:
    rows = [("written", f"{spoken_bytes(result.bytes_written)}, which wears the drive by as much")]
    if result.kind is ProbeKind.READ:
        rows = [("read", f"{spoken_bytes(result.bytes_read)}, and not a byte written")]
    if result.outcome is ProbeOutcome.GAVE_WAY:
        rows.append(("gave way", f"{result.gave_way_to} What was written so far says nothing against it."))
    if result.outcome is ProbeOutcome.CANCELLED:
        rows.append(("called off", "it was stopped before its end"))
    if result.fault is not None:
        rows.append(
            ("fault", result.fault.sentence + (" Save what is on it." if result.fault.of_drive else ""))
        )
    if result.space_returned is False:
        rows.append(("space", "did not come back after the file was gone: a snapshot may hold it"))
    if result.read_back_ok is False:
        rows.append(("read-back", f"WRONG at byte {result.read_back_bad_at_byte}. Save what is on it."))
    elif result.read_back_ok:
        rows.append(("read-back", "the same as written"))
    return rows
