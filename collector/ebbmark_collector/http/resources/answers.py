"""The questions people come with: may this drive record that, which may, what is left to do, what to buy."""

from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from ebbmark_agent.evidence import Demand, Fit, UnknownFormat
from pydantic import Field, StringConstraints

from ebbmark_collector.alerts import to_do
from ebbmark_collector.errors import NotFound
from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.paging import Query
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.resources.drives import StandingWord, row_of
from ebbmark_collector.intake.asking import Asked, answer, demand_for, faults_since, soak_evidence
from ebbmark_collector.intake.past import facts_of
from ebbmark_collector.intake.rulebook import Rulebook, rulebook
from ebbmark_collector.judge import SubjectHistory
from ebbmark_collector.store import Row, Tx, drives, evidence, from_ms, hosts, judgement, to_ms

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


def _answer(judged: Fit, faults: list[str]) -> Answer:
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


def _demands(book: Rulebook, query: FitsQuery) -> list[Demand]:
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
        judged = [answer(known, demand, row, call.now) for demand in _demands(rulebook(tx), query)]
        judged.sort(
            key=lambda each: (each.margin is None, -(each.margin or 0.0), each.demand.demand_bytes_per_s)
        )
        faults = faults_since(tx, row, known)
        return DriveFits(
            drive_id=row["drive_id"],
            evidence_at=known.started_at if known else None,
            items=[_answer(each, faults) for each in judged],
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
        demand = _demands(rulebook(tx), asked)[0]
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
        answer=_answer(answer(known, demand, row, now), faults_since(tx, row, known)),
    )


class KitShown(Out):
    """A case of media that travels together."""

    kit: str
    drives: int
    fit: int
    marginal: int
    unfit: int
    unproven: int
    oldest_evidence_at: datetime | None


class KitList(Out):
    """Every kit that any drive belongs to."""

    items: list[KitShown]


@routes.add("GET", "/v1/kits", summary="Kits", answers={200: KitList})
def list_kits(call: Call) -> Reply:
    """Give every kit."""
    rows = call.store.read(drives.kits)
    return Reply(
        body=KitList(
            items=[
                KitShown(
                    **{name: row[name] for name in ("kit", "drives", "fit", "marginal", "unfit", "unproven")},
                    oldest_evidence_at=_at(row["oldest_evidence_ms"]),
                )
                for row in rows
            ]
        )
    )


def _at(ms: int | None) -> datetime | None:
    return None if ms is None else from_ms(ms)


class ReadinessQuery(Query):
    """What the case is for."""

    format: What
    hours: float = Field(gt=0, le=1_000, description="Of recording in all.")
    slots: Literal["single", "relay", "mirror"] = "single"
    headroom: float = Field(default=1.2, ge=1, le=10)
    buffer_s: float = Field(default=1.0, ge=0, le=600)


class MediumReadiness(Out):
    """One medium of the case: go or no go, and why."""

    drive_id: str
    label: str | None
    asset_tag: str | None
    go: bool
    hours: float | None = Field(description="How long it records before it is full.")
    evidence_at: datetime | None
    offload_minutes: float | None = Field(description="To read it out whole; null without a read probe.")
    answer: Answer


class Readiness(Out):
    """Is this case good for the job. A pass is no backup."""

    kit: str
    go: bool
    sentence: str
    hours_asked: float
    hours_in_all: float
    media_needed: int
    spares: int
    oldest_evidence_at: datetime | None
    offload_minutes: float | None
    media: list[MediumReadiness]


@routes.add(
    "GET",
    "/v1/kits/{kit}/readiness",
    summary="Is this case good for the job",
    query=ReadinessQuery,
    answers={200: Readiness},
)
def kit_readiness(call: Call) -> Reply:
    """Answer go or no go for a kit, medium by medium."""
    query = call.query_as(ReadinessQuery)
    kit = call.path["kit"]

    def read(tx: Tx) -> Readiness:
        rows = drives.in_kit(tx, kit)
        if not rows:
            raise NotFound(f"No drive in service belongs to a kit {kit}. GET /v1/kits lists them.")
        asked = FitsQuery(format=query.format, headroom=query.headroom, buffer_s=query.buffer_s)
        demand = _demands(rulebook(tx), asked)[0]
        return _readiness(kit, query, demand, [_medium(tx, row, demand, call.now) for row in rows])

    return Reply(body=call.store.read(read))


def _medium(tx: Tx, row: Row, demand: Demand, now: datetime) -> MediumReadiness:
    known = soak_evidence(tx, row, with_trace=False)
    judged = _answer(answer(known, demand, row, now), faults_since(tx, row, known))
    capacity, reads = row["capacity_bytes"], evidence.latest_read_floor(tx, row["drive_id"])
    return MediumReadiness(
        drive_id=row["drive_id"],
        label=row["label"],
        asset_tag=row["asset_tag"],
        go=judged.standing == "fit" and row["open_alerts"] == 0,
        hours=capacity / demand.rate_bytes_per_s / 3600 if capacity else None,
        evidence_at=known.started_at if known else None,
        offload_minutes=capacity / reads / 60 if capacity and reads else None,
        answer=judged,
    )


def _readiness(kit: str, query: ReadinessQuery, demand: Demand, media: list[MediumReadiness]) -> Readiness:
    good = sorted((each.hours for each in media if each.go and each.hours), reverse=True)
    copies = 2 if query.slots == "mirror" else 1
    # Mirrored slots fill two media at once: the fuller pairs come first.
    pairs = [min(good[i : i + copies]) for i in range(0, len(good) - copies + 1, copies)]
    hours_in_all = sum(pairs)
    needed, reached = 0, 0.0
    for hours in pairs:
        if reached >= query.hours:
            break
        reached += hours
        needed += copies
    enough = reached >= query.hours
    bad = [each for each in media if not each.go]
    dates = [each.evidence_at for each in media if each.evidence_at is not None]
    offloads = [each.offload_minutes for each in media if each.go]
    sentence = (
        f"{len(good)} of {len(media)} media carry {demand.name}; {hours_in_all:.1f} h in all, "
        f"{query.hours:.1f} h asked{', mirrored' if copies == 2 else ''}."
    )
    if bad and not enough:
        sentence += f" Soak or replace {bad[0].asset_tag or bad[0].label or bad[0].drive_id} first."
    known = [minutes for minutes in offloads if minutes is not None]
    return Readiness(
        kit=kit,
        go=enough,
        sentence=sentence,
        hours_asked=query.hours,
        hours_in_all=hours_in_all,
        media_needed=needed,
        spares=max(0, len(good) - needed) if enough else 0,
        oldest_evidence_at=min(dates, default=None),
        offload_minutes=sum(known) if known and len(known) == len(offloads) else None,
        media=media,
    )


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
