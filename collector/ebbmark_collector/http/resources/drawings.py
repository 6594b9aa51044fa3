"""Pictures for people: a probe's trace, and a drive's floor over months with its outlook."""

from datetime import timedelta

from ebbmark_agent.evidence import fit
from ebbmark_agent.evidence.chart import chart
from ebbmark_agent.report import evidence_of, traces_of
from pydantic import Field

from ebbmark_collector.errors import NotFound
from ebbmark_collector.http.floor_chart import Crossing, FloorPoint, draw
from ebbmark_collector.http.operation import Call, Reply, Routes
from ebbmark_collector.http.paging import Query
from ebbmark_collector.http.resources.drives import row_of
from ebbmark_collector.intake import points
from ebbmark_collector.intake.judging import kept_result
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.judge import Limit
from ebbmark_collector.store import Row, Tx, evidence, from_ms, judgement, to_ms

routes = Routes("drawings")
SVG = "image/svg+xml"
# A picture opened by itself runs nothing and loads nothing.
_HEADERS = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'"}


def _called(row: Row) -> str:
    tail = f" …{row['serial'][-4:]}" if row["serial"] else ""
    return row["asset_tag"] or row["label"] or f"{row['model'] or 'unknown model'}{tail}"


@routes.add(
    "GET",
    "/v1/probes/{probe_id}/trace.svg",
    summary="A probe's trace, drawn",
    answers={200: SVG},
    description="Rate over bytes with what is asked, the floor, cliffs and the tightest stretch.",
)
def trace_svg(call: Call) -> Reply:
    """Draw a probe's trace."""

    def read(tx: Tx) -> str:
        probe = evidence.probe(tx, call.path["probe_id"])
        if probe is None:
            raise NotFound(f"There is no probe {call.path['probe_id']}.")
        drive = row_of(tx, probe["drive_id"])
        result = kept_result(tx, probe)
        segments, figures = traces_of(result.trace), points.stored_figures(probe["figures"])
        if not segments or figures is None:
            raise NotFound("This probe's trace is past its retention; its figures are kept.")
        role = rulebook(tx).role(drive["role"])
        judged = None
        if role is not None and role.demand is not None:
            known = evidence_of(
                result,
                figures=figures,
                started_at=from_ms(probe["started_ms"]),
                capacity_bytes=drive["capacity_bytes"],
            )
            judged = fit(known, role.demand)
        title = f"{_called(drive)}: {probe['kind']} of {from_ms(probe['started_ms']):%Y-%m-%d}"
        return chart(segments, figures=figures, judged=judged, title=title)

    return Reply(body=call.store.read(read).encode(), media=SVG, headers=_HEADERS)


class FloorQuery(Query):
    """How far back."""

    days: int = Field(default=365, ge=1, le=3650)


@routes.add(
    "GET",
    "/v1/drives/{drive_id}/floor.svg",
    summary="A drive's floor over months, drawn",
    query=FloorQuery,
    answers={200: SVG},
    description="Soaks and spots with what is asked, and the outlook to where the floor crosses it.",
)
def floor_svg(call: Call) -> Reply:
    """Draw a drive's floor over months."""
    since = call.now - timedelta(days=call.query_as(FloorQuery).days)

    def read(tx: Tx) -> str:
        row = row_of(tx, call.path["drive_id"])
        shown = [
            FloorPoint(
                at=from_ms(p["started_ms"]),
                floor_bytes_per_s=p["floor_bytes_per_s"],
                is_soak=p["kind"] == "soak",
            )
            for p in evidence.floors_since(tx, row["drive_id"], since_ms=to_ms(since))
        ]
        if not shown:
            raise NotFound("No probe of this drive has a floor in that time.")
        crossing = None
        outlook = judgement.OUTLOOK.validate_json(row["outlook_json"]) if row["outlook_json"] else None
        meeting = outlook.meeting(Limit.FLOOR_MEETS_DEMAND) if outlook else None
        if meeting is not None and meeting.likely is not None and meeting.value_now and meeting.limit_value:
            crossing = Crossing(
                earliest=meeting.earliest,
                likely=meeting.likely,
                from_bytes_per_s=meeting.value_now,
                to_bytes_per_s=meeting.limit_value,
            )
        title = f"{_called(row)}: floor over time"
        return draw(
            shown, title=title, now=call.now, demand_bytes_per_s=row["demand_bytes_per_s"], crossing=crossing
        )

    return Reply(body=call.store.read(read).encode(), media=SVG, headers=_HEADERS)
