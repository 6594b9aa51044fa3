"""Kits, the cases of media that travel together, and whether one is good for a job."""

from datetime import datetime
from typing import Literal

from ebbmark_agent.evidence import Demand
from pydantic import Field

from ebbmark_collector.errors import NotFound
from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.paging import Query
from ebbmark_collector.http.resources.answers import Answer, FitsQuery, What, answer_of, demands_of
from ebbmark_collector.intake.asking import answer, faults_since, soak_evidence
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.judge.kit import cover
from ebbmark_collector.store import Row, Tx, drives, evidence, from_ms

routes = Routes("kits")


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
        demand = demands_of(rulebook(tx), asked)[0]
        return _readiness(kit, query, demand, [_medium(tx, row, demand, call.now) for row in rows])

    return Reply(body=call.store.read(read))


def _medium(tx: Tx, row: Row, demand: Demand, now: datetime) -> MediumReadiness:
    known = soak_evidence(tx, row, with_trace=False)
    judged = answer_of(answer(known, demand, row, now), faults_since(tx, row, known))
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
    good = [each for each in media if each.go]
    mirrored = query.slots == "mirror"
    found = cover((each.hours for each in good), asked_hours=query.hours, copies=2 if mirrored else 1)
    sentence = (
        f"{len(good)} of {len(media)} media carry {demand.name}; {found.hours_in_all:.1f} h in all, "
        f"{query.hours:.1f} h asked{', mirrored' if mirrored else ''}."
    )
    bad = [each for each in media if not each.go]
    if bad and not found.enough:
        sentence += f" Soak or replace {bad[0].asset_tag or bad[0].label or bad[0].drive_id} first."
    offloads = [each.offload_minutes for each in good]
    known = [minutes for minutes in offloads if minutes is not None]
    return Readiness(
        kit=kit,
        go=found.enough,
        sentence=sentence,
        hours_asked=query.hours,
        hours_in_all=found.hours_in_all,
        media_needed=found.media_needed,
        spares=found.spares,
        oldest_evidence_at=min((each.evidence_at for each in media if each.evidence_at), default=None),
        offload_minutes=sum(known) if known and len(known) == len(offloads) else None,
        media=media,
    )
