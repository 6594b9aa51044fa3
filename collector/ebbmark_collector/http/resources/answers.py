"""The questions people come with: what may this drive record, for how long, and which drives may do so."""

from datetime import datetime
from typing import Annotated, Literal

from ebbmark_agent.evidence import Demand, Fit, UnknownFormat
from pydantic import Field, StringConstraints

from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.paging import Query
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.resources.drives import StandingWord, row_of
from ebbmark_collector.intake.asking import Asked, answer, demand_for, faults_since, soak_evidence
from ebbmark_collector.intake.rulebook import Rulebook, rulebook
from ebbmark_collector.store import Row, Tx, drives

routes = Routes("answers")
What = Annotated[str, StringConstraints(min_length=1, max_length=128)]
MinutesKind = Literal["lost_after", "proven_for", "unlimited"]
_MOST_DRIVES = 1_000  # [1] looked at for one question


class Answer(Out):
    """One judgement: what was asked, what the drive carries, for how long, and why."""

    asked: str
    standing: StandingWord
    demand_bytes_per_s: float
    floor_bytes_per_s: float | None
    margin: float | None = Field(description="Floor over demand, less one.")
    minutes_from_rest: float | None
    minutes_from_rest_kind: MinutesKind
    minutes_whole_medium: float | None
    minutes_whole_medium_kind: MinutesKind
    sentences: list[str]


def answer_of(judged: Fit, faults: list[str]) -> Answer:
    """Show a judgement; a fault since its evidence makes it unfit."""
    return Answer(
        asked=judged.demand.name,
        standing="unfit" if faults else judged.standing.value,
        demand_bytes_per_s=judged.demand.demand_bytes_per_s,
        floor_bytes_per_s=judged.floor_bytes_per_s,
        margin=judged.margin,
        minutes_from_rest=judged.from_rest.minutes,
        minutes_from_rest_kind=judged.from_rest.kind.value,
        minutes_whole_medium=judged.whole_medium.minutes,
        minutes_whole_medium_kind=judged.whole_medium.kind.value,
        sentences=[*faults, *(reason.sentence for reason in judged.reasons)],
    )


class FitsQuery(Query):
    """What is to be recorded."""

    format: What | None = Field(
        default=None,
        description="A recording format, a rate such as `150MB/s`, or a role; all formats if left out.",
    )
    headroom: float = Field(default=1.2, ge=1, le=10)
    buffer_s: float = Field(default=1.0, ge=0, le=600)
    take_minutes: float | None = Field(
        default=None, gt=0, le=100_000, description="The longest take; the whole medium if left out."
    )


class DriveFits(Out):
    """What one drive may record, the widest margin first. A pass is no backup."""

    drive_id: str
    evidence_at: datetime | None
    items: list[Answer]


def demands_of(book: Rulebook, query: FitsQuery) -> list[Demand]:
    """Give what was asked for as demands.

    Raises:
        HttpProblem: 404 for a name nobody knows, 422 for what makes no sense.
    """
    names = [query.format] if query.format else [each.name for each in book.formats]
    take_s = query.take_minutes * 60 if query.take_minutes else None
    try:
        return [
            demand_for(
                book, Asked(what=name, headroom=query.headroom, buffer_s=query.buffer_s, take_s=take_s)
            )
            for name in names
        ]
    except UnknownFormat as error:
        raise HttpProblem(404, str(error), field="format") from error
    except ValueError as error:
        raise HttpProblem(422, str(error)) from error


@routes.add(
    "GET",
    "/v1/drives/{drive_id}/fits",
    summary="What may this drive record, for how long, and why not",
    query=FitsQuery,
    answers={200: DriveFits},
)
def drive_fits(call: Call) -> Reply:
    """Hold a drive's latest soak against one format, or all of them."""
    query = call.query_as(FitsQuery)

    def read(tx: Tx) -> DriveFits:
        row = row_of(tx, call.path["drive_id"])
        known = soak_evidence(tx, row, with_trace=query.format is not None)
        judged = [answer(known, demand, row, call.now) for demand in demands_of(rulebook(tx), query)]
        judged.sort(
            key=lambda each: (each.margin is None, -(each.margin or 0.0), each.demand.demand_bytes_per_s)
        )
        faults = faults_since(tx, row, known)
        return DriveFits(
            drive_id=row["drive_id"],
            evidence_at=known.started_at if known else None,
            items=[answer_of(each, faults) for each in judged],
        )

    return Reply(body=call.store.read(read))


class FitsOfFormatQuery(Query):
    """What is to be recorded, and among which drives."""

    format: What = Field(description="A recording format, a rate such as `150MB/s`, or a role.")
    headroom: float = Field(default=1.2, ge=1, le=10)
    buffer_s: float = Field(default=1.0, ge=0, le=600)
    take_minutes: float | None = Field(default=None, gt=0, le=100_000)
    kit: What | None = None
    host_id: What | None = None
    limit: int = Field(default=50, ge=1, le=500)


class FittingDrive(Out):
    """A drive and what it would do."""

    drive_id: str
    label: str | None
    asset_tag: str | None
    model: str | None
    kit: str | None
    host_name: str | None
    capacity_bytes: int | None
    evidence_at: datetime | None
    answer: Answer


class FittingDrives(Out):
    """Drives that may record this, best first, then those that may not. A pass is no backup."""

    asked: str
    demand_bytes_per_s: float
    looked_at: int
    items: list[FittingDrive]


@routes.add(
    "GET",
    "/v1/fits",
    summary="Which drives may record this format, best first",
    query=FitsOfFormatQuery,
    answers={200: FittingDrives},
    problems=(404,),
)
def fits_of_format(call: Call) -> Reply:
    """Hold every soaked drive against one format."""
    query = call.query_as(FitsOfFormatQuery)
    asked = FitsQuery(
        format=query.format,
        headroom=query.headroom,
        buffer_s=query.buffer_s,
        take_minutes=query.take_minutes,
    )

    def read(tx: Tx) -> FittingDrives:
        demand = demands_of(rulebook(tx), asked)[0]
        rows = [
            row
            for row in drives.soaked(tx, least_floor=0.0, limit=_MOST_DRIVES)
            if query.kit in {None, row["kit"]} and query.host_id in {None, row["host_id"]}
        ]
        found = [_fitting(tx, row, demand, call.now) for row in rows]
        order = {"fit": 0, "marginal": 1, "unproven": 2, "unfit": 3}
        found.sort(
            key=lambda each: (order[each.answer.standing], -(each.answer.margin or -1.0), each.drive_id)
        )
        return FittingDrives(
            asked=demand.name,
            demand_bytes_per_s=demand.demand_bytes_per_s,
            looked_at=len(rows),
            items=found[: query.limit],
        )

    return Reply(body=call.store.read(read))


def _fitting(tx: Tx, row: Row, demand: Demand, now: datetime) -> FittingDrive:
    known = soak_evidence(tx, row, with_trace=False)
    return FittingDrive(
        drive_id=row["drive_id"],
        label=row["label"],
        asset_tag=row["asset_tag"],
        model=row["model"],
        kit=row["kit"],
        host_name=row["host_name"],
        capacity_bytes=row["capacity_bytes"],
        evidence_at=known.started_at if known else None,
        answer=answer_of(answer(known, demand, row, now), faults_since(tx, row, known)),
    )
