"""What is left to do: what new drives still need, and what to have at hand by which month."""

from datetime import datetime, timedelta
from typing import Any

from pydantic import Field

from ebbmark_collector.alerts import to_do
from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.paging import Query
from ebbmark_collector.intake.past import facts_of
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.judge import SubjectHistory
from ebbmark_collector.store import Tx, drives, from_ms, hosts, judgement, to_ms

routes = Routes("plans")
_MOST_DRIVES = 1_000  # [1] on one worklist


class WorkItem(Out):
    """What a drive still needs from a person."""

    drive_id: str
    called: str
    host: str | None
    place: str | None
    role: str | None
    needs_role: bool
    needs_soak: bool
    soak_bytes: int | None
    soak_hours: float | None


class Worklist(Out):
    """Everything left to do before the fleet is proven; one list instead of an alert each."""

    drives: int
    soak_hours: float
    soak_bytes: int
    items: list[WorkItem]


@routes.add("GET", "/v1/worklist", summary="What new drives still need", answers={200: Worklist})
def get_worklist(call: Call) -> Reply:
    """Give the intake worklist."""

    def read(tx: Tx) -> list[WorkItem]:
        book = rulebook(tx)
        items = []
        for row in drives.unfinished(tx, limit=_MOST_DRIVES):
            host = hosts.host(tx, row["host_id"]) if row["host_id"] else None
            history = SubjectHistory.of(facts_of(tx, row, host))
            if row["standing_json"] is None:
                continue
            standing = judgement.STANDING.validate_json(row["standing_json"])
            found = to_do(history, book.role(row["role"]), standing)
            if found is not None:
                items.append(
                    WorkItem(
                        drive_id=row["drive_id"],
                        called=found.called,
                        host=found.host,
                        place=found.place,
                        role=found.role_name,
                        needs_role=found.needs_role,
                        needs_soak=found.needs_soak,
                        soak_bytes=found.soak_bytes,
                        soak_hours=found.soak_s / 3600 if found.soak_s is not None else None,
                    )
                )
        return items

    items = call.store.read(read)
    return Reply(
        body=Worklist(
            drives=len(items),
            soak_hours=sum(item.soak_hours or 0.0 for item in items),
            soak_bytes=sum(item.soak_bytes or 0 for item in items),
            items=items,
        )
    )


class ReplacementQuery(Query):
    """How far ahead."""

    days: int = Field(default=365, ge=1, le=3650)


class ReplacementDrive(Out):
    """A drive foreseen to leave its role."""

    drive_id: str
    label: str | None
    asset_tag: str | None
    model: str | None
    role: str | None
    kit: str | None
    likely_at: datetime
    limit: str = Field(description="What it is foreseen to meet, such as `floor_meets_demand`.")


class ReplacementMonth(Out):
    """What to have at hand by a month."""

    month: str
    drives: list[ReplacementDrive]


class Replacements(Out):
    """The replacement plan by month. Forecasts carry an interval; see each drive's outlook."""

    items: list[ReplacementMonth]


@routes.add(
    "GET",
    "/v1/replacements",
    summary="What to have at hand by which month",
    query=ReplacementQuery,
    answers={200: Replacements},
)
def get_replacements(call: Call) -> Reply:
    """Give the replacement plan."""
    before_ms = to_ms(call.now + timedelta(days=call.query_as(ReplacementQuery).days))
    months: dict[str, list[ReplacementDrive]] = {}
    for row in call.store.read(lambda tx: drives.replacements(tx, before_ms=before_ms)):
        likely_at = max(from_ms(row["likely_ms"]), call.now)
        columns: dict[str, Any] = {
            name: row[name] for name in ("drive_id", "label", "asset_tag", "model", "role", "kit")
        }
        shown = ReplacementDrive(**columns, likely_at=likely_at, limit=row["likely_limit"])
        months.setdefault(f"{likely_at:%Y-%m}", []).append(shown)
    return Reply(
        body=Replacements(
            items=[ReplacementMonth(month=month, drives=found) for month, found in sorted(months.items())]
        )
    )
