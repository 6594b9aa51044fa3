"""What the judge knows of one subject: its probes, health, takes, incidents and whereabouts, as plain values.

Rules.

1. Nothing here reads a clock, a file or a store; the intake builds these values and hands them in with `now`.
2. Every sequence may come in any order and may hold repeats of an id; `SubjectHistory.of` sorts and sifts
   once.
3. A figure that is not known is None. Instants are aware and in UTC; rates are bytes/s, sizes bytes.
4. The judge looks no further back than `SPOT_WINDOW_DAYS` and `HEALTH_WINDOW_DAYS` (plus every soak, and the
   first `QUALIFYING_SPOTS` spots of the path), so a store may load that much and no more: the result is the
   same.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cached_property

from ebbmark_agent.evidence.standing import Fit
from ebbmark_agent.report import (
    Assessment,
    Bus,
    DiscardState,
    FileLayout,
    HealthState,
    IdentityConfidence,
    ProbeKind,
    ProbeOutcome,
)

SPOT_WINDOW_DAYS = 180  # [days] spots older than this tell of another season of the drive's life
HEALTH_WINDOW_DAYS = 400  # [days] a year of wear, and what rounding hides of it
QUALIFYING_SPOTS = 14  # [1] the first spots of a path that make its baseline: two weeks of daily probes


class Presence(StrEnum):
    """How a drive is expected to be around: only a fixed one can fall silent."""

    FIXED = "fixed"
    COMES_AND_GOES = "comes_and_goes"
    ON_LOAN = "on_loan"


@dataclass(frozen=True, kw_only=True, slots=True)
class ProbePoint:
    """One probe reduced to the figures the judge needs.

    Attributes:
        floor_bytes_per_s: The floor at the role's buffer (least of uncapped, mean and lasting) [bytes/s].
        lasting_bytes_per_s: Mean rate of the last plateau [bytes/s].
        cliff_at_bytes: Where the first lasting step down begins [bytes]; None where none was seen.
        cliff_floor_bytes_per_s: The rate after it [bytes/s].
        spread: Robust spread of the rate on its last plateau, as a share of it [1].
        longest_stall_s: The longest single stop [s].
        stall_count: Stops of at least the trace's own stall length [1].
        path_limited: The rate was the link's: it tells what this path carries and nothing of the drive.
        fit: What `evidence.fit(evidence, demand)` said of this probe by itself (no `now`, no debt: age, path
            in use and debt are this package's) for the role in force; None for a probe not judged so. Soaks
            and rehearsals need one, spots do not.
    """

    probe_id: str
    kind: ProbeKind
    outcome: ProbeOutcome
    at: datetime
    duration_s: float
    bytes_written: int
    path_key: str
    layout: FileLayout
    floor_bytes_per_s: float | None
    lasting_bytes_per_s: float | None = None
    mean_bytes_per_s: float | None = None
    cliff_at_bytes: int | None = None
    cliff_floor_bytes_per_s: float | None = None
    settled: bool = False
    spread: float | None = None
    longest_stall_s: float | None = None
    stall_count: int | None = None
    path_limited: bool = False
    fill_start: float | None = None
    rest_before_s: float | None = None
    temperature_start_c: float | None = None
    temperature_hottest_c: float | None = None
    waited_for_data_s: float = 0.0
    pattern: str | None = None
    read_back_ok: bool | None = None
    fault_sentence: str | None = None
    discard: DiscardState = DiscardState.NOT_POSSIBLE
    space_returned: bool | None = None
    by_hand: bool = False
    fit: Fit | None = None

    @property
    def ends_at(self) -> datetime:
        """Give the instant of the last byte."""
        return self.at + timedelta(seconds=self.duration_s)

    @property
    def shows(self) -> bool:
        """Tell whether this probe shows what a recorder on this path would get: it ran to its end."""
        return self.outcome is ProbeOutcome.COMPLETED and self.floor_bytes_per_s is not None

    @property
    def counts(self) -> bool:
        """Tell whether this probe may enter a series: its floor is the drive's own, not the link's."""
        return self.shows and not self.path_limited


@dataclass(frozen=True, kw_only=True, slots=True)
class HealthPoint:
    """One health read. Counters run over the drive's life; None where the drive did not say.

    Attributes:
        percentage_used: Share of the maker's rated endurance consumed, in whole percents [%]; may pass 100.
        written_bytes: Host bytes written over the drive's life [bytes].
        critical_warnings: Codes of the NVMe critical-warning bits that are set now.
    """

    at: datetime
    state: HealthState
    sentence: str = ""
    assessment: Assessment = Assessment.UNKNOWN
    temperature_c: float | None = None
    percentage_used: int | None = None
    available_spare_percent: int | None = None
    available_spare_threshold_percent: int | None = None
    written_bytes: int | None = None
    power_on_hours: int | None = None
    media_errors: int | None = None
    reallocated_sectors: int | None = None
    pending_sectors: int | None = None
    uncorrectable_errors: int | None = None
    interface_crc_errors: int | None = None
    warning_temperature_minutes: int | None = None
    critical_temperature_minutes: int | None = None
    thermal_transitions: int | None = None
    critical_warnings: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class TakePoint:
    """One real recording as the disk's counters saw it.

    Attributes:
        saturated: The drive, not the recorder, set the pace; only then is the floor the drive's.
    """

    take_id: str
    at: datetime
    duration_s: float
    written_bytes: int
    mean_bytes_per_s: float
    path_key: str
    saturated: bool
    saturated_floor_bytes_per_s: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class FindingPoint:
    """Something found that is never dropped: a refused write, a wrong read-back, a left-over file."""

    code: str
    at: datetime
    sentence: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Incident:
    """Frames a person saw lost on this drive: ground truth for the judge."""

    incident_id: str
    happened_at: datetime
    reported_by: str
    recorder: str | None = None
    recording_format: str | None = None
    note: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class PathNow:
    """The way in use now. Rates are the link's payload ceiling [bytes/s]."""

    key: str
    bus: Bus | None = None
    since: datetime | None = None
    link_now: str | None = None
    link_best: str | None = None
    link_now_bytes_per_s: float | None = None
    link_best_bytes_per_s: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class SubjectFacts:
    """Who the subject is and where it was last seen.

    Attributes:
        fill: Used share of its volume at the last look [1].
        host_heard_at: When its last host last said anything at all.
        retired: Why and by whom it was taken out of service; None while it serves.
        duplicate_of: Subjects on other hosts that claimed the same identity at the same time.
        erased_at: When a person said it was erased in the recorder.
        rated_endurance_bytes: The maker's TBW rating [bytes].
        no_safe_moment_since: Since when the agent has found no moment to probe.
        probing_allowed: Whether its host may write at all; None when not known.
        on_recorder_host: Its last host has a drive in a recorder role.
    """

    subject_id: str
    asset_tag: str | None = None
    model: str | None = None
    firmware: str | None = None
    serial_tail: str | None = None
    confidence: IdentityConfidence = IdentityConfidence.OWN
    presence: Presence = Presence.FIXED
    capacity_bytes: int | None = None
    rotational: bool | None = None
    removable: bool = False
    trim: bool | None = None
    file_system: str | None = None
    fill: float | None = None
    free_bytes: int | None = None
    path: PathNow | None = None
    first_seen_at: datetime | None = None
    last_seen_at: datetime | None = None
    last_host: str | None = None
    last_place: str | None = None
    host_heard_at: datetime | None = None
    rated_endurance_bytes: int | None = None
    erased_at: datetime | None = None
    no_safe_moment_since: datetime | None = None
    probing_allowed: bool | None = None
    on_recorder_host: bool = False
    duplicate_of: tuple[str, ...] = ()
    retired: str | None = None

    @property
    def called(self) -> str:
        """Give the name people know it by: its asset tag, else model and the end of its serial."""
        if self.asset_tag:
            return self.asset_tag
        tail = f" …{self.serial_tail}" if self.serial_tail else ""
        return f"{self.model or 'unknown model'}{tail}" if (self.model or tail) else self.subject_id


@dataclass(frozen=True, kw_only=True, slots=True)
class Assignment:
    """Which role the subject has, since when, and whether a person confirmed it."""

    role_name: str
    since: datetime
    confirmed: bool = True
    by: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Siblings:
    """Drives of the same model and firmware, each by one figure; what a drive is compared with.

    Attributes:
        spot_floors_bytes_per_s: One recent spot floor per sibling on a like path [bytes/s].
        soak_floors_bytes_per_s: One latest soak floor per sibling on a like path [bytes/s].
        cliff_at_bytes: One latest cliff per sibling that has one [bytes].
    """

    model: str
    firmware: str | None = None
    spot_floors_bytes_per_s: tuple[float, ...] = ()
    soak_floors_bytes_per_s: tuple[float, ...] = ()
    cliff_at_bytes: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class SubjectHistory:
    """Everything the judge knows of one subject, sorted by time; build it with `SubjectHistory.of`."""

    facts: SubjectFacts
    assignment: Assignment | None = None
    probes: tuple[ProbePoint, ...] = ()
    health: tuple[HealthPoint, ...] = ()
    takes: tuple[TakePoint, ...] = ()
    findings: tuple[FindingPoint, ...] = ()
    incidents: tuple[Incident, ...] = ()
    siblings: Siblings | None = None

    @classmethod
    def of(
        cls,
        facts: SubjectFacts,
        *,
        assignment: Assignment | None = None,
        probes: tuple[ProbePoint, ...] = (),
        health: tuple[HealthPoint, ...] = (),
        takes: tuple[TakePoint, ...] = (),
        findings: tuple[FindingPoint, ...] = (),
        incidents: tuple[Incident, ...] = (),
        siblings: Siblings | None = None,
        sorted_already: bool = False,
    ) -> "SubjectHistory":
        """Sort by time and keep one of each id, so that order and repeats of arrival do not matter.

        With `sorted_already` probes and health are taken as they are: a store gives hundreds of them in their
        order and each once.
        """
        if not sorted_already:
            probes = tuple(sorted({p.probe_id: p for p in probes}.values(), key=lambda p: (p.at, p.probe_id)))
            health = tuple(sorted({h.at: h for h in health}.values(), key=lambda h: h.at))
        return cls(
            facts=facts,
            assignment=assignment,
            probes=probes,
            health=health,
            takes=tuple(sorted({t.take_id: t for t in takes}.values(), key=lambda t: (t.at, t.take_id))),
            findings=tuple(sorted(set(findings), key=lambda f: (f.at, f.code, f.sentence))),
            incidents=tuple(
                sorted(
                    {i.incident_id: i for i in incidents}.values(),
                    key=lambda i: (i.happened_at, i.incident_id),
                )
            ),
            siblings=siblings,
        )

    @cached_property
    def soaks(self) -> tuple[ProbePoint, ...]:
        """Give the soaks that ran to their end, oldest first."""
        return tuple(p for p in self.probes if p.kind is ProbeKind.SOAK and p.shows)

    @cached_property
    def spots(self) -> tuple[ProbePoint, ...]:
        """Give the spots that ran to their end, oldest first."""
        return tuple(p for p in self.probes if p.kind is ProbeKind.SPOT and p.shows)

    @cached_property
    def faulty(self) -> tuple[ProbePoint, ...]:
        """Give the probes that met a refused write or read back something else, oldest first."""
        return tuple(p for p in self.probes if p.read_back_ok is False or p.fault_sentence is not None)

    @cached_property
    def series(self) -> dict[tuple[str, datetime | None], tuple[ProbePoint, ...]]:
        """Hold the series picked out of the probes so far: the judge asks for the same ones repeatedly."""
        return {}

    @cached_property
    def path_key(self) -> str | None:
        """Give the path in use: what the last inventory said, else that of the last probe."""
        if self.facts.path is not None:
            return self.facts.path.key
        return self.probes[-1].path_key if self.probes else None

    @cached_property
    def last_health(self) -> HealthPoint | None:
        """Give the last health read that reached the drive."""
        return next((h for h in reversed(self.health) if h.state is HealthState.READ), None)


@dataclass(frozen=True, kw_only=True, slots=True)
class HostFacts:
    """A machine with an agent, as the silence round looks at it.

    Attributes:
        expects_every_s: How often it said it would report [s].
        show: On a show with the role of staying quiet: its silence is expected.
    """

    host_id: str
    name: str
    place: str | None = None
    heard_at: datetime | None = None
    expects_every_s: float = 86_400.0
    show: bool = False
    retired: str | None = None
    has_recorder_role: bool = False
