"""Probes and their traces."""

import json
from datetime import datetime
from typing import Any, Literal

from pydantic import Field

from ebbmark_collector.errors import NotFound
from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.paging import list_page, page_model, query_model
from ebbmark_collector.http.resources.drive_history import of_drive
from ebbmark_collector.http.resources.drives import StandingWord
from ebbmark_collector.intake.judging import kept_result
from ebbmark_collector.store import Row, Tx, evidence, lists
from ebbmark_collector.store.listing import one

routes = Routes("probes")


class ProbeListed(Out):
    """One probe. Its floor is for the buffer of the role in force."""

    probe_id: str
    drive_id: str
    host_id: str
    volume_id: str | None
    kind: Literal["spot", "soak", "rehearsal", "copy", "read"]
    outcome: Literal["completed", "gave_way", "failed", "cancelled"]
    started_at: datetime
    duration_s: float
    bytes_written: int
    read_back_ok: bool | None
    path_key: str
    layout: str
    file_system: str
    fill_start: float | None
    fill_end: float | None
    rest_before_s: float | None
    temperature_hottest_c: float | None
    floor_bytes_per_s: float | None
    lasting_bytes_per_s: float | None
    mean_bytes_per_s: float | None
    cliff_at_bytes: float | None
    settled: bool | None
    path_limited: bool
    standing: StandingWord | None = Field(description="What this probe alone says; null for a spot.")
    gave_way_to: str | None
    by_hand: bool
    trace_kept: bool


class ProbeShown(ProbeListed):
    """One probe with every figure of its trace and the report it came in."""

    result: dict[str, Any] = Field(description="As reported, without the trace.")
    figures: dict[str, Any] | None
    fit: dict[str, Any] | None = Field(description="Its judgement for the role in force.")


class TraceShown(Out):
    """A probe's trace: bytes written over time, one list of points a segment."""

    probe_id: str
    segments: list["TraceSegment"]


class TraceSegment(Out):
    """One uninterrupted stretch of writing. `total_bytes[i]` were written by `times_s[i]`."""

    starts_after_s: float
    times_s: list[float]
    total_bytes: list[int]


ProbeQuery = query_model(lists.PROBES, without=("drive_id",))
ProbePage = page_model(ProbeListed)


@routes.add(
    "GET",
    "/v1/drives/{drive_id}/probes",
    summary="A drive's probes",
    query=ProbeQuery,
    answers={200: ProbePage},
)
def drive_probes(call: Call) -> Reply:
    """Give a page of a drive's probes."""
    return list_page(call, lists.PROBES, ProbeListed, ProbePage, fixed=of_drive(call))


def _row(tx: Tx, probe_id: str) -> Row:
    row = evidence.probe(tx, probe_id)
    if row is None:
        raise NotFound(f"There is no probe {probe_id}. GET /v1/drives/{{drive_id}}/probes lists them.")
    return row


@routes.add("GET", "/v1/probes/{probe_id}", summary="One probe with its figures", answers={200: ProbeShown})
def get_probe(call: Call) -> Reply:
    """Give one probe."""

    def read(tx: Tx) -> ProbeShown:
        row = _row(tx, call.path["probe_id"])
        columns = one(tx, lists.PROBES, row["probe_id"])
        assert columns is not None
        return ProbeShown(
            **columns,
            result=json.loads(evidence.unpack(row["result_json"])),
            figures=json.loads(evidence.unpack(row["figures"])) if row["figures"] else None,
            fit=json.loads(evidence.unpack(row["fit_json"])) if row["fit_json"] else None,
        )

    return Reply(body=call.store.read(read))


def _segments(call: Call) -> list[TraceSegment]:
    def read(tx: Tx) -> list[TraceSegment]:
        row = _row(tx, call.path["probe_id"])
        documents = kept_result(tx, row).trace
        if not documents:
            raise NotFound("This probe's trace is past its retention; its figures are kept.")
        return [_segment(d.starts_after_s, d.step_us, d.step_bytes) for d in documents]

    return call.store.read(read)


def _segment(starts_after_s: float, step_us: tuple[int, ...], step_bytes: tuple[int, ...]) -> TraceSegment:
    times_s, total_bytes = [0.0], [0]
    us = written = 0
    for took_us, moved_bytes in zip(step_us, step_bytes, strict=True):
        us += took_us
        written += moved_bytes
        times_s.append(us / 1e6)
        total_bytes.append(written)
    return TraceSegment(starts_after_s=starts_after_s, times_s=times_s, total_bytes=total_bytes)


@routes.add(
    "GET",
    "/v1/probes/{probe_id}/trace",
    summary="A probe's trace",
    answers={200: TraceShown},
    description="Spot traces are kept for their retention, soaks for good.",
)
def get_trace(call: Call) -> Reply:
    """Give a probe's trace."""
    return Reply(body=TraceShown(probe_id=call.path["probe_id"], segments=_segments(call)))
