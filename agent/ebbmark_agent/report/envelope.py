"""A report: one thing an agent has to say, in an envelope that makes saying it twice harmless."""

from typing import Annotated, Literal

from pydantic import Field

from ebbmark_agent.report._base import Code, Counter, Id, Instant, Name, Seconds, Sentence, WireModel
from ebbmark_agent.report.drive import DriveFacts, DriveIdentity, VolumeFacts
from ebbmark_agent.report.health import HealthReading
from ebbmark_agent.report.probe import FindingFacts, ProbeResult, TakeFacts

WIRE_VERSION = 1
MAX_REPORTS_A_REQUEST = 200


class Subject(WireModel):
    """What a report is about: a drive by its identity, or a volume over several drives.

    With one drive beneath, `volume_id` only says where the probe ran; with several (an array) the volume
    is the subject and `members` names its drives.
    """

    ref: Id
    identity: DriveIdentity
    volume_id: Name | None = None
    members: tuple[DriveIdentity, ...] = Field(default=(), max_length=256)


class InventoryBody(WireModel):
    """The machine and the drives it sees, sent at start, on change and once a day."""

    kind: Literal["inventory"] = "inventory"
    host_name: Name
    system: Name
    drives: tuple[DriveFacts, ...] = Field(max_length=1024)
    volumes: tuple[VolumeFacts, ...] = Field(default=(), max_length=1024)
    remarks: tuple[Sentence, ...] = Field(default=(), max_length=64)
    writes_allowed: bool = False


class HealthBody(WireModel):
    """One drive's health."""

    kind: Literal["health"] = "health"
    subject: Subject
    reading: HealthReading


class ProbeBody(WireModel):
    """One probe of one subject."""

    kind: Literal["probe"] = "probe"
    subject: Subject
    result: ProbeResult


class TakeBody(WireModel):
    """One real recording's rates on one subject."""

    kind: Literal["take"] = "take"
    subject: Subject
    take: TakeFacts


class FindingBody(WireModel):
    """A finding about a subject."""

    kind: Literal["finding"] = "finding"
    subject: Subject
    finding: FindingFacts


class Refusal(WireModel):
    """A reason why no probe ran, with the figure behind it."""

    code: Code
    sentence: Sentence
    figure: float | None = None
    unit: Name | None = None


class SubjectConsent(WireModel):
    """The last refusals for one subject, what probing it has cost, and how long there was no safe moment."""

    subject: Subject
    refusals: tuple[Refusal, ...] = Field(default=(), max_length=32)
    judged_at: Instant
    probed_bytes_365_days: Counter = 0
    budget_bytes_365_days: Counter | None = None
    last_probe_at: Instant | None = None
    no_safe_moment_since: Instant | None = None


class Dropped(WireModel):
    """How many reports of a kind the bounded spool had to let go since the last status."""

    kind: Code
    count: Counter


class StatusBody(WireModel):
    """A sign of life: consent per subject, holds in force here, what the spool had to drop."""

    kind: Literal["status"] = "status"
    consents: tuple[SubjectConsent, ...] = Field(default=(), max_length=1024)
    holds_in_force: tuple[Id, ...] = Field(default=(), max_length=64)
    on_air: bool = False
    dropped: tuple[Dropped, ...] = Field(default=(), max_length=16)
    set_aside: Counter = 0
    clock_offset_s: float | None = None
    uptime_s: Seconds | None = None
    remarks: tuple[Sentence, ...] = Field(default=(), max_length=64)


Body = Annotated[
    InventoryBody | HealthBody | ProbeBody | TakeBody | FindingBody | StatusBody,
    Field(discriminator="kind"),
]


class Report(WireModel):
    """One report; `report_id` is made once by the agent, so that a repeat is recognised.

    `sequence` rises by one a report on one host, which tells order when the clock was wrong.
    """

    wire_version: int = Field(default=WIRE_VERSION, ge=1, le=1000)
    report_id: Id
    host_id: Id
    agent_version: Name
    made_at: Instant
    sequence: Counter
    body: Body


class ReportBatch(WireModel):
    """What one request carries."""

    reports: tuple[Report, ...] = Field(min_length=1, max_length=MAX_REPORTS_A_REQUEST)
