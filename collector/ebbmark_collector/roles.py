"""Roles in force: what a subject must carry, how often it is probed, and which of its conditions alert how.

The shipped roles and the arithmetic of demand come from the agent's evidence package. Here they become the
one value the judge and the alerts read, and here the rules that hand a role to a subject are tried in their
order.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fnmatch import fnmatchcase

from ebbmark_agent.evidence.demand import Demand
from ebbmark_agent.evidence.roles import Role, RoleKind, demand_of


def _check(name: str, value: float | None, *, least: float, most: float) -> None:
    if value is not None and not least <= value <= most:
        raise ValueError(f"{name} is {value}; it must be at least {least:g} and at most {most:g}")


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionRule:
    """What a role changes about one condition; None leaves the default of its kind.

    Attributes:
        severity: `warning`, `minor`, `major` or `critical`.
        on_delay_s: How long it must hold before it is raised [s].
        off_delay_s: How long it must be gone before it is cleared [s].
        deadband: How far back past its limit a figure must come to count as gone, as a share of the limit
            [1].
        enabled: False: this condition is not watched for this role.
    """

    severity: str | None = None
    on_delay_s: float | None = None
    off_delay_s: float | None = None
    deadband: float | None = None
    enabled: bool = True

    def __post_init__(self) -> None:
        """Refuse what no alert could be timed by.

        Raises:
            ValueError: When a figure is out of its bounds.
        """
        _check("on_delay_s", self.on_delay_s, least=0, most=1e8)
        _check("off_delay_s", self.off_delay_s, least=0, most=1e8)
        _check("deadband", self.deadband, least=0, most=1)


@dataclass(frozen=True, kw_only=True)
class Watch:
    """How a role's drives are watched, beside what the role itself asks.

    Attributes:
        horizon_days: How far ahead a foreseen shortfall alerts [days]. A drive whose soaks fall is soaked
            sooner (`judge.cadence`), so that six weeks are notice enough; farther ahead the dates of slow
            wear are too uncertain. Common practice, no source.
        silent_after_s: How long a fixed drive or its host may say nothing [s].
        no_safe_moment_days: How long the agent may find no moment to probe [days].
        conditions: What the role changes about single conditions, by the condition's name.
    """

    horizon_days: float = 45.0
    silent_after_s: float = 3 * 86_400.0
    no_safe_moment_days: float = 14.0
    conditions: Mapping[str, ConditionRule] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse what no date could be reckoned with.

        Raises:
            ValueError: When a figure is out of its bounds.
        """
        _check("horizon_days", self.horizon_days, least=0, most=3_650)
        _check("silent_after_s", self.silent_after_s, least=60, most=1e9)
        _check("no_safe_moment_days", self.no_safe_moment_days, least=0, most=3_650)


@dataclass(frozen=True, kw_only=True)
class DriveRole:
    """A role in force as the judge and the alerts read it: what is asked, how it is watched.

    Attributes:
        role: As written, from the agent's evidence package.
        demand: What it asks of writing; None for a role that asks for no write rate.
        watch: How its drives are watched.
    """

    role: Role
    demand: Demand | None
    watch: Watch

    @classmethod
    def of(cls, role: Role, watch: Watch | None = None) -> "DriveRole":
        """Work out the demand of a role once."""
        return cls(role=role, demand=demand_of(role), watch=watch or Watch())

    @property
    def name(self) -> str:
        """Give the name it is assigned by."""
        return self.role.name

    @property
    def kind(self) -> RoleKind:
        """Give what kind of trouble a bad drive makes."""
        return self.role.kind

    @property
    def is_recorder(self) -> bool:
        """Tell whether a dip on this drive loses footage."""
        return self.role.is_recorder


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


class AssignmentRules:
    """Assignment rules ready to be tried on many subjects: plain names are looked up, patterns compared."""

    def __init__(self, rules: Sequence[AssignmentRule]) -> None:
        """Sort the rules by what they look at; their order stays the order in which equals are tried."""
        self._rules = tuple(rules)
        self._plain: dict[tuple[MatchedBy, str], int] = {}
        self._patterns: dict[MatchedBy, list[tuple[int, str]]] = {kind: [] for kind in MatchedBy}
        for place, rule in enumerate(self._rules):
            pattern = rule.pattern.casefold()
            if _WILD.isdisjoint(pattern):
                self._plain.setdefault((rule.matched_by, pattern), place)
            else:
                self._patterns[rule.matched_by].append((place, pattern))

    def place_of(self, candidate: Candidate) -> int | None:
        """Give the place of the rule that hands this subject its role, or None.

        The most particular kind wins (serial, asset tag, mount, model, host); of equals, the first written.
        """
        for kind in MatchedBy:
            values = [value.casefold() for value in candidate.values(kind)]
            places = [self._plain[key] for value in values if (key := (kind, value)) in self._plain]
            first = min(places, default=len(self._rules))
            for place, pattern in self._patterns[kind]:
                if place > first:
                    break
                if any(fnmatchcase(value, pattern) for value in values):
                    return place
            if places:
                return first
        return None


_WILD = frozenset("*?[")  # what makes a shell pattern more than a name


def assigned_by(rules: Sequence[AssignmentRule], candidate: Candidate) -> AssignmentRule | None:
    """Give the rule that hands this subject its role, or None; see `AssignmentRules.place_of`."""
    place = AssignmentRules(rules).place_of(candidate)
    return None if place is None else rules[place]
