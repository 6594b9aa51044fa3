"""Drives: the list worst first, one drive with all its standing rests on, and what a person may set."""

import json
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, Field, StringConstraints

from ebbmark_collector.errors import NotFound
from ebbmark_collector.http import auditing
from ebbmark_collector.http.operation import Call, In, Match, Out, Reply, Routes, Scope, merge
from ebbmark_collector.http.paging import list_page, page_model, query_model
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.replying import need_if_match
from ebbmark_collector.intake.judging import look_at
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.judge import Cause, Cohort, Outlook, SoakSooner, Standing
from ebbmark_collector.store import Row, Tx, Value, drives, evidence, from_ms, judgement, lists, to_ms

routes = Routes("drives")
ShortText = Annotated[str, StringConstraints(min_length=1, max_length=128)]
LongText = Annotated[str, StringConstraints(min_length=1, max_length=4000)]
Presence = Literal["fixed", "comes_and_goes", "on_loan"]
StandingWord = Literal["fit", "marginal", "unfit", "unproven"]


class DriveListed(Out):
    """A drive, or an array, as lists show it. Rates in bytes/s, sizes in bytes."""

    drive_id: str
    urgency: float = Field(description="Sorts worst first; the number itself means nothing.")
    kind: Literal["drive", "array"]
    label: str | None
    asset_tag: str | None
    model: str | None
    firmware: str | None
    serial: str | None
    confidence: Literal["own", "reader", "none"] = Field(
        description="Whose serial was seen: the drive's own, its reader's, or nobody's."
    )
    capacity_bytes: int | None
    bus: str | None
    removable: bool
    host_id: str | None = Field(description="Where it was last seen.")
    host_name: str | None
    place: str | None
    kit: str | None
    presence: Presence
    role: str | None
    standing: StandingWord
    standing_since: datetime | None
    floor_bytes_per_s: float | None
    demand_bytes_per_s: float | None
    evidence_at: datetime | None
    valid_until: datetime | None
    open_alerts: int
    last_seen_at: datetime
    last_probe_at: datetime | None
    last_soak_at: datetime | None
    last_health_at: datetime | None
    temperature_c: float | None
    percentage_used: int | None
    retired_at: datetime | None


class VolumeShown(Out):
    """A file system on the drive. Label and mount are there only if the machine's owner switched them on."""

    volume_id: str
    file_system: str
    size_bytes: int
    free_bytes: int
    label: str | None = None
    mount: str | None = None


class FindingShown(Out):
    """Something found that is never dropped."""

    code: str
    found_at: datetime
    sentence: str


class DriveShown(DriveListed):
    """One drive with what its standing rests on, why, and what to do."""

    names: list[str] = Field(description="Every name it is known by, on whichever machine.")
    rotational: bool | None
    system_drive: bool
    path: dict[str, Any] | None
    volumes: list[VolumeShown]
    members: list[str] = Field(description="An array's drives.")
    rated_endurance_bytes: int | None
    soak_sooner: SoakSooner | None = Field(
        description="That it is soaked sooner than its role orders: how long after its last soak, and why."
    )
    notes: str | None
    retired_why: str | None
    erased_at: datetime | None
    judgement: Standing | None
    causes: list[Cause]
    outlook: Outlook | None
    cohort: Cohort | None
    health: dict[str, Any] | None
    consent: dict[str, Any] | None = Field(description="Why no probe would run now, as the agent last said.")
    findings: list[FindingShown]


class DriveEdit(In):
    """What a person may set; leave out what stays, send null to empty it."""

    label: ShortText | None = None
    asset_tag: ShortText | None = None
    place: ShortText | None = None
    kit: ShortText | None = None
    presence: Presence | None = None
    rated_endurance_bytes: Annotated[int, Field(ge=1, le=2**62)] | None = None
    notes: LongText | None = None


DriveQuery = query_model(lists.DRIVES)
DrivePage = page_model(DriveListed)


@routes.add("GET", "/v1/drives", summary="Drives, worst first", query=DriveQuery, answers={200: DrivePage})
def list_drives(call: Call) -> Reply:
    """Give a page of drives."""
    return list_page(call, lists.DRIVES, DriveListed, DrivePage)


def row_of(tx: Tx, drive_id: str) -> Row:
    """Give a drive's row.

    Raises:
        NotFound: When there is none.
    """
    row = drives.drive(tx, drive_id)
    if row is None:
        raise NotFound(f"There is no drive {drive_id}. GET /v1/drives lists them.")
    return row


def _json(text: str | None) -> Any:
    return json.loads(text) if text else None


def _soak_sooner(row: Row) -> SoakSooner | None:
    if row["soak_every_days"] is None:
        return None
    return SoakSooner(every_days=row["soak_every_days"], why=row["soak_sooner_why"])


def shown(tx: Tx, drive_id: str) -> tuple[DriveShown, int]:
    """Give one drive as the API shows it, and its revision."""
    row = row_of(tx, drive_id)
    listed = lists.DRIVES
    from ebbmark_collector.store.listing import one

    columns = one(tx, listed, drive_id)
    assert columns is not None
    drive = DriveShown(
        **columns,
        names=drives.names_of(tx, drive_id),
        rotational=None if row["rotational"] is None else bool(row["rotational"]),
        system_drive=bool(row["system_drive"]),
        path=_json(row["path_json"]),
        volumes=[
            VolumeShown(**{k: v for k, v in volume.items() if k in VolumeShown.model_fields})
            for volume in json.loads(row["volumes_json"])
        ],
        members=json.loads(row["members_json"]),
        rated_endurance_bytes=row["rated_endurance_bytes"],
        soak_sooner=_soak_sooner(row),
        notes=row["notes"],
        retired_why=row["retired_why"],
        erased_at=from_ms(row["erased_ms"]) if row["erased_ms"] else None,
        judgement=judgement.STANDING.validate_json(row["standing_json"]) if row["standing_json"] else None,
        causes=list(judgement.CAUSES.validate_json(row["causes_json"])) if row["causes_json"] else [],
        outlook=judgement.OUTLOOK.validate_json(row["outlook_json"]) if row["outlook_json"] else None,
        cohort=judgement.COHORT.validate_json(row["cohort_json"]) if row["cohort_json"] else None,
        health=_json(row["health_json"]),
        consent=_json(row["consent_json"]),
        findings=[
            FindingShown(
                code=finding["code"],
                found_at=from_ms(finding["found_ms"]),
                sentence=json.loads(finding["finding_json"])["sentence"],
            )
            for finding in evidence.findings_of(tx, drive_id)
        ],
    )
    return drive, row["rev"]


@routes.add(
    "GET", "/v1/drives/{drive_id}", summary="One drive and why it stands so", answers={200: DriveShown}
)
def get_drive(call: Call) -> Reply:
    """Give one drive."""
    drive, revision = call.store.read(lambda tx: shown(tx, call.path["drive_id"]))
    return Reply(body=drive, revision=revision)


@routes.add(
    "PATCH",
    "/v1/drives/{drive_id}",
    summary="Set a drive's label, asset tag, place, kit, presence, rated endurance or notes",
    scopes=(Scope.ADMIN,),
    body=DriveEdit,
    answers={200: DriveShown},
    match=Match.NEEDED,
    body_example={"asset_tag": "SSD-014", "place": "Machine room", "kit": "A-camera"},
)
def patch_drive(call: Call) -> Reply:
    """Change what a person may set, and judge the drive anew: a rule may look at it."""
    sent = merge(call.body_as(DriveEdit))
    if sent.get("presence", "") is None:
        raise HttpProblem(422, "presence cannot be empty.", field="presence")

    def job(tx: Tx) -> tuple[DriveShown, int]:
        row = row_of(tx, call.path["drive_id"])
        need_if_match(call.headers, row["rev"])
        drives.update_drive(tx, row["drive_id"], sent, edited=True)
        auditing.note(tx, call, "drive.edit", row["drive_id"], sent)
        look_at(tx, row["drive_id"], rulebook(tx), call.now)
        return shown(tx, row["drive_id"])

    drive, revision = call.store.write(job)
    return Reply(body=drive, revision=revision)


class Retirement(In):
    """Why a drive is taken out of service."""

    why: ShortText


class Said(In):
    """An instant a person vouches for; now if left out."""

    at: AwareDatetime | None = None


def _set(call: Call, action: str, columns: dict[str, Value], detail: dict[str, Any]) -> Reply:
    def job(tx: Tx) -> tuple[DriveShown, int]:
        row = row_of(tx, call.path["drive_id"])
        drives.update_drive(tx, row["drive_id"], columns, edited=True)
        auditing.note(tx, call, action, row["drive_id"], detail)
        look_at(tx, row["drive_id"], rulebook(tx), call.now)
        return shown(tx, row["drive_id"])

    drive, revision = call.store.write(job)
    return Reply(body=drive, revision=revision)


@routes.add(
    "POST",
    "/v1/drives/{drive_id}/retire",
    summary="Take a drive out of service",
    scopes=(Scope.ADMIN,),
    body=Retirement,
    answers={200: DriveShown},
    action=True,
    body_example={"why": "worn out, replaced by SSD-021"},
)
def retire_drive(call: Call) -> Reply:
    """Retire a drive: its alerts clear and say why; its history stays."""
    why = call.body_as(Retirement).why
    said = f"{why} (by {call.principal.label if call.principal else 'nobody'})"
    return _set(call, "drive.retire", {"retired_ms": to_ms(call.now), "retired_why": said}, {"why": why})


@routes.add(
    "POST",
    "/v1/drives/{drive_id}/return-to-service",
    summary="Take a retired drive back",
    scopes=(Scope.ADMIN,),
    answers={200: DriveShown},
    action=True,
)
def return_drive(call: Call) -> Reply:
    """Take a retired drive back into service."""
    return _set(call, "drive.return", {"retired_ms": None, "retired_why": None}, {})


@routes.add(
    "POST",
    "/v1/drives/{drive_id}/erased",
    summary="Say that a medium was erased in the recorder",
    scopes=(Scope.ADMIN,),
    body=Said,
    answers={200: DriveShown},
    action=True,
    body_example={},
)
def drive_erased(call: Call) -> Reply:
    """Note an erasure: what a probe left the drive to tidy up is settled."""
    at = call.body_as(Said).at or call.now
    return _set(call, "drive.erased", {"erased_ms": to_ms(at)}, {"at": at})
