"""Roles in force: what a subject must carry, how often it is probed, and which of its conditions alert how.

The shipped roles and the arithmetic of demand come from the agent's evidence package. Here they become the one
value the judge and the alerts read, and here the rules that hand a role to a subject are tried in their order.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fnmatch import fnmatchcase


class RoleKind(StrEnum):
    """What kind of trouble a bad drive makes: a lost take, a stuttering edit, or a nuisance."""

    RECORDER = "recorder"
    WORKING = "working"
    SYSTEM = "system"


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionRule:
    """What a role changes about one condition; None leaves the default of its kind.

    Attributes:
        severity: `warning`, `minor`, `major` or `critical`.
        on_delay_s: How long it must hold before it is raised [s].
        off_delay_s: How long it must be gone before it is cleared [s].
        deadband: How far back past its limit a figure must come to count as gone, as a share of the limit [1].
        enabled: False: this condition is not watched for this role.
    """

    severity: str | None = None
    on_delay_s: float | None = None
    off_delay_s: float | None = None
    deadband: float | None = None
    enabled: bool = True


@dataclass(frozen=True, kw_only=True)
class DriveRole:
    """A role as the judge reads it.

    Attributes:
        rate_bytes_per_s: The sum of the streams [bytes/s].
        demand_bytes_per_s: The rate times the role's headroom [bytes/s].
        buffer_s: Seconds of stream the recorder holds [s].
        take_s: The longest single take [s]; None: the whole medium without rest.
        take_bytes: What one take, or the whole medium, writes at the rate [bytes].
        validity_days: How long a soak's evidence is good for [days].
        soak_every_days: How often a soak is asked for [days]; None: never of its own accord.
        spot_every_s: How often a spot is asked for [s].
        horizon_days: How far ahead a foreseen shortfall alerts [days].
        margin_thin: A margin (floor over demand, less one) below this is thin [1].
        fill_limit: Used share above which the volume is nearly full for this role [1].
        hot_c: Temperature from which it is too hot [degrees Celsius]; None: the drive's own warning only.
        silent_after_s: How long a fixed drive or its host may say nothing [s].
        no_safe_moment_days: How long the agent may find no moment to probe [days].
        wear_limit_percent: Percentage used at which the drive is to be replaced [%].
    """

    name: str
    kind: RoleKind
    rate_bytes_per_s: float
    demand_bytes_per_s: float
    buffer_s: float = 1.0
    take_s: float | None = None
    take_bytes: int | None = None
    validity_days: float = 90.0
    soak_every_days: float | None = 30.0
    spot_every_s: float = 86_400.0
    horizon_days: float = 60.0
    margin_thin: float = 0.10
    fill_limit: float = 0.90
    hot_c: float | None = None
    silent_after_s: float = 3 * 86_400.0
    no_safe_moment_days: float = 14.0
    wear_limit_percent: int = 100
    conditions: Mapping[str, ConditionRule] = field(default_factory=dict)

    @property
    def is_recorder(self) -> bool:
        """Tell whether a dip on this drive loses footage."""
        return self.kind is RoleKind.RECORDER

    @property
    def recording(self) -> bool:
        """Tell whether the role asks for a write rate at all."""
        return self.demand_bytes_per_s > 0


class MatchedBy(StrEnum):
    """What an assignment rule looks at; earlier ones win over later ones."""

    SERIAL = "serial"
    ASSET_TAG = "asset_tag"
    MOUNT = "mount"
    MODEL = "model"
    HOST = "host"


@dataclass(frozen=True, kw_only=True, slots=True)
class AssignmentRule:
    """Hands a role to each subject whose name matches; `pattern` is a shell pattern, case does not matter."""

    matched_by: MatchedBy
    pattern: str
    role_name: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """The names of a subject that a rule may look at. `fixed` is False for media that come and go."""

    serials: tuple[str, ...] = ()
    asset_tag: str | None = None
    model: str | None = None
    host: str | None = None
    mounts: tuple[str, ...] = ()
    fixed: bool = True

    def values(self, matched_by: MatchedBy) -> tuple[str, ...]:
        """Give what a rule of this kind compares. A mount point says nothing about media that come and go."""
        match matched_by:
            case MatchedBy.SERIAL:
                return self.serials
            case MatchedBy.MOUNT:
                return self.mounts if self.fixed else ()
            case MatchedBy.ASSET_TAG:
                found = self.asset_tag
            case MatchedBy.MODEL:
                found = self.model
            case MatchedBy.HOST:
                found = self.host
        return (found,) if found else ()


def assigned_by(rules: Sequence[AssignmentRule], candidate: Candidate) -> AssignmentRule | None:
    """Give the rule that hands this subject its role, or None.

    The most particular kind wins (serial, asset tag, mount, model, host); among equals, the first written.
    """
    for matched_by in MatchedBy:
        values = [v.casefold() for v in candidate.values(matched_by)]
        for rule in rules:
            if rule.matched_by is matched_by and any(fnmatchcase(v, rule.pattern.casefold()) for v in values):
                return rule
    return None
