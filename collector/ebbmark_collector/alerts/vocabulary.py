"""The words of alerting: severities, conditions, the state of an alert and its transitions, as plain values.

An alert is a state of (subject, condition, qualifier), not a message (RFC 8632, section 3.2). The store
keeps one `AlertState` for each such key that was ever raised or is on its way, and every `Transition` for
good. Both are plain dataclasses, so `pydantic.TypeAdapter` writes them to JSON and reads them back at the
store's edge.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum, StrEnum


class Severity(StrEnum):
    """Perceived severity, least first (ITU-T X.733; without `indeterminate`, as RFC 8632 advises)."""

    WARNING = "warning"
    MINOR = "minor"
    MAJOR = "major"
    CRITICAL = "critical"

    @property
    def order(self) -> int:
        """Give the RFC 8632 value: 3 for warning to 6 for critical."""
        return _ORDER[self]

    @property
    def rank(self) -> int:
        """Give the rank shown beside the word: 1 for critical, act now, to 4 for warning."""
        return 7 - _ORDER[self]

    @property
    def syslog(self) -> int:
        """Give the syslog severity (RFC 5674, table 1; RFC 5424)."""
        return _SYSLOG[self]


_ORDER = {Severity.WARNING: 3, Severity.MINOR: 4, Severity.MAJOR: 5, Severity.CRITICAL: 6}
_SYSLOG = {Severity.CRITICAL: 1, Severity.MAJOR: 2, Severity.MINOR: 3, Severity.WARNING: 4}
SYSLOG_CLEARED = 5  # [1] notice, RFC 5674, table 1


class ConditionKind(StrEnum):
    """Everything that can be wrong with a subject or a host, one alert each."""

    FLOOR_UNDER_DEMAND = "floor_under_demand"
    MARGIN_THIN = "margin_thin"
    FLOOR_WILL_MEET_DEMAND = "floor_will_meet_demand"
    FLOOR_STEPPED_DOWN = "floor_stepped_down"
    STALLS_BEYOND_BUFFER = "stalls_beyond_buffer"
    FRAMES_LOST = "frames_lost"
    WORN_OUT = "worn_out"
    WEAR_WILL_MEET_LIMIT = "wear_will_meet_limit"
    SPARE_LOW = "spare_low"
    SPARE_WILL_MEET_THRESHOLD = "spare_will_meet_threshold"
    MEDIA_ERRORS = "media_errors"
    SELF_ASSESSMENT_FAILED = "self_assessment_failed"
    CRITICAL_WARNING = "critical_warning"
    READ_BACK_DIFFERS = "read_back_differs"
    WRITE_FAULT = "write_fault"
    HEALTH_COMMAND_FAILED = "health_command_failed"
    HEALTH_NOT_PERMITTED = "health_not_permitted"
    LINK_BELOW_BEST = "link_below_best"
    INTERFACE_ERRORS = "interface_errors"
    TOO_HOT = "too_hot"
    NEARLY_FULL = "nearly_full"
    TRIM_STOPPED = "trim_stopped"
    SLOWER_THAN_SIBLINGS = "slower_than_siblings"
    UNPROVEN = "unproven"
    NO_RECENT_SOAK = "no_recent_soak"
    NO_SAFE_MOMENT = "no_safe_moment"
    SILENT_HOST = "silent_host"
    SILENT_DRIVE = "silent_drive"
    EVIDENCE_AGING = "evidence_aging"
    UNKNOWN_DRIVE = "unknown_drive"
    DUPLICATE_IDENTITY = "duplicate_identity"


class Sight(StrEnum):
    """What the evidence says of a condition now.

    `between` is inside the deadband and `unseen` is without fresh evidence: neither raises nor clears
    anything.
    """

    PRESENT = "present"
    BETWEEN = "between"
    ABSENT = "absent"
    UNSEEN = "unseen"


@dataclass(frozen=True, kw_only=True, slots=True)
class Condition:
    """One condition of one subject as it is seen now.

    Attributes:
        qualifier: Tells apart several alerts of one kind on one subject, such as two critical-warning bits.
        predicts_lost_frames: Tells that this, as it is now, announces frames lost in the subject's role.
        value: The figure it rests on, in base units; `limit` is what it is held against.
        act_by: Until when something has to be done; None where no date follows.
        headline: One sentence: drive, role, what is wrong, floor against demand where it is about rate.
        why: The evidence, a sentence each.
        cause: The first cause; `next_step` is the one thing to do.
        because: Why it is gone, for the record, while it is absent.
        on_delay_s: How long it must be present before it is raised [s].
        off_delay_s: How long it must be absent before it is cleared [s].
        worse_delay_s: How long it must be worse than its alert before that grows more severe [s].
        returning_s: Raised twice within so long, it is not cleared until so long after the first time [s].
    """

    subject_id: str
    kind: ConditionKind
    sight: Sight
    severity: Severity
    qualifier: str = ""
    predicts_lost_frames: bool = False
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    since: datetime | None = None
    act_by: datetime | None = None
    headline: str = ""
    why: tuple[str, ...] = ()
    cause: str | None = None
    next_step: str = ""
    because: str | None = None
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    worse_delay_s: float = 0.0
    returning_s: float = 0.0
    role_name: str | None = None
    asset_tag: str | None = None
    host: str | None = None
    place: str | None = None

    @property
    def key(self) -> "Key":
        """Give the key of the alert this condition feeds."""
        return Key(self.subject_id, self.kind, self.qualifier)


@dataclass(frozen=True, order=True, slots=True)
class Key:
    """What makes an alert the same alert (RFC 8632: resource, alarm-type-id, alarm-type-qualifier)."""

    subject_id: str
    kind: ConditionKind
    qualifier: str = ""

    @property
    def condition(self) -> str:
        """Give condition and qualifier as one word, for a column or an address."""
        return f"{self.kind}:{self.qualifier}" if self.qualifier else self.kind.value


class Phase(StrEnum):
    """Where an alert stands. `waiting` and `leaving` are the on-delay and the off-delay running."""

    QUIET = "quiet"
    WAITING = "waiting"
    RAISED = "raised"
    LEAVING = "leaving"


@dataclass(frozen=True, kw_only=True, slots=True)
class Acknowledgement:
    """Who has seen it, when, and what they wrote."""

    by: str
    at: datetime
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Shelf:
    """Set aside until an instant by somebody for a reason; nothing is sent meanwhile."""

    by: str
    at: datetime
    until: datetime
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class AlertState:
    """The present state of one alert.

    Attributes:
        phase_since: When the present phase began.
        raised_at: When it was last raised; None while it never was.
        raised_before_at: When it was raised the time before.
        changed_at: When anything a person would want to know last changed.
        times_raised: How often it has been raised [1].
        fresh: False while its drive is out of reach: it stays, marked as without fresh evidence.
        condition: What was last seen of it (kept from the last sight that was not `unseen`).
        cleared_because: Why it was last cleared.
        calmer_since: Since when a lower severity is seen, while the off-delay before going down runs.
        worse_since: Since when a higher severity is seen, while the delay before going up runs.
    """

    key: Key
    phase: Phase
    phase_since: datetime
    severity: Severity
    condition: Condition
    raised_at: datetime | None = None
    raised_before_at: datetime | None = None
    changed_at: datetime | None = None
    cleared_at: datetime | None = None
    cleared_because: str | None = None
    times_raised: int = 0
    fresh: bool = True
    acknowledged: Acknowledgement | None = None
    shelf: Shelf | None = None
    calmer_since: datetime | None = None
    worse_since: datetime | None = None

    @property
    def is_open(self) -> bool:
        """Tell whether it is raised and not yet cleared (the off-delay may be running)."""
        return self.phase in {Phase.RAISED, Phase.LEAVING}


class Event(StrEnum):
    """What happened to an alert; each is one line of its history."""

    RAISED = "raised"
    RAISED_AGAIN = "raised_again"
    SEVERITY_UP = "severity_up"
    SEVERITY_DOWN = "severity_down"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    REAPPEARED = "reappeared"
    OUT_OF_REACH = "out_of_reach"
    WITHIN_REACH = "within_reach"
    CLEARED = "cleared"


@dataclass(frozen=True, kw_only=True, slots=True)
class Transition:
    """One line of an alert's history, complete in itself: who, when, why, and what it said then.

    Attributes:
        severity: After the transition; `severity_before` is None where it was not open before.
        by: The person for what a person did; None for the collector's own judgement.
        notify: Whether somebody may have to be told (shelved alerts tell nobody).
    """

    key: Key
    event: Event
    at: datetime
    severity: Severity
    severity_before: Severity | None
    condition: Condition
    by: str | None = None
    why: str | None = None
    notify: bool = False
    times_raised: int = 0


class Level(IntEnum):
    """RFC 8632's severities with `cleared`, for comparing with a notify level."""

    CLEARED = 1
    WARNING = 3
    MINOR = 4
    MAJOR = 5
    CRITICAL = 6
