"""What the judge says: standing, change, slide, outlook, wear, cohort and causes, as plain values.

The store keeps `Standing` and `Outlook` as JSON of these very names; the alerts read all of them.
"""

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from ebbmark_agent.evidence.standing import MinutesKind
from ebbmark_agent.evidence.standing import Standing as Word


class Ground(StrEnum):
    """Why a standing is what it is; each comes with a sentence."""

    NO_ROLE = "no_role"
    NOTHING_ASKED = "nothing_asked"
    NO_SOAK = "no_soak"
    SOAK = "soak"
    REHEARSAL = "rehearsal"
    OTHER_PATH = "other_path"
    AGED = "aged"
    LOWERED_BY_SPOT = "lowered_by_spot"
    LOWERED_BY_TAKE = "lowered_by_take"
    INCIDENT = "incident"
    READ_BACK = "read_back"
    WRITE_FAULT = "write_fault"
    DEBT = "debt"
    RETIRED = "retired"


@dataclass(frozen=True, kw_only=True, slots=True)
class Reason:
    """One ground with the sentence that a person reads."""

    ground: Ground
    sentence: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """A subject's standing for one role, with what it rests on and until when.

    Attributes:
        word: fit, marginal, unfit or unproven.
        shown: What the probes and takes by themselves show, whatever their age, a debt or an incident says;
            None without any that counts.
        floor_bytes_per_s: The floor it rests on [bytes/s]; None where nothing was shown.
        margin: Floor over demand, less one [1].
        minutes: As `minutes_kind` says [min]; None for unlimited or not known.
        evidence_at: When the evidence was taken; `valid_until` is when it ages into unproven.
        debt: The drive has been written to and not shown to have rested or been erased since.
    """

    word: Word
    role_name: str | None
    shown: Word | None = None
    rate_bytes_per_s: float | None = None
    demand_bytes_per_s: float | None = None
    floor_bytes_per_s: float | None = None
    margin: float | None = None
    minutes: float | None = None
    minutes_kind: MinutesKind | None = None
    probe_id: str | None = None
    path_key: str | None = None
    evidence_at: datetime | None = None
    valid_until: datetime | None = None
    debt: bool = False
    reasons: tuple[Reason, ...] = ()

    def rests_on(self, ground: Ground) -> bool:
        """Tell whether this ground is among the reasons."""
        return any(r.ground is ground for r in self.reasons)


@dataclass(frozen=True, kw_only=True, slots=True)
class Baseline:
    """What a series looked like when the drive was qualified.

    Attributes:
        median_bytes_per_s: Median floor [bytes/s].
        sigma: Robust scatter of the logarithm of the floor: 1.4826 MAD, not below the probe's own noise [1].
        count: Points it rests on [1].
    """

    median_bytes_per_s: float
    sigma: float
    count: int
    since: datetime
    until: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """A lasting step down in a series.

    Attributes:
        since: The first probe after the step.
        signalled_at: The probe at which the sum passed its limit.
        before_bytes_per_s: Baseline median [bytes/s].
        after_bytes_per_s: Median since [bytes/s].
        fall: Share of the floor that is gone [1].
    """

    since: datetime
    signalled_at: datetime
    before_bytes_per_s: float
    after_bytes_per_s: float
    fall: float
    probes_since: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Slide:
    """A slow fall (or rise) in a series, as the change of the logarithm a day.

    Attributes:
        per_day: Theil-Sen slope of ln(figure) [1/day].
        per_day_low: Lower end of its interval [1/day]: the steepest fall.
        per_day_high: Upper end [1/day].
        level: ln(figure) on the line at `at` [1].
        p_falling: One-sided chance of so much falling order without a trend [1].
        falling: Significant, and the whole interval lies below zero.
        count: Points it rests on, after gathering [1].
    """

    at: datetime
    per_day: float
    per_day_low: float
    per_day_high: float
    level: float
    p_falling: float
    falling: bool
    count: int


class Limit(StrEnum):
    """What a figure is foreseen to meet."""

    FLOOR_MEETS_DEMAND = "floor_meets_demand"
    FLOOR_MEETS_RATE = "floor_meets_rate"
    WEAR_MEETS_LIMIT = "wear_meets_limit"
    SPARE_MEETS_THRESHOLD = "spare_meets_threshold"
    FILL_MEETS_LIMIT = "fill_meets_limit"


class NoDate(StrEnum):
    """Why there is no date; each is an answer."""

    NO_TREND = "no_trend"
    TOO_FEW = "too_few"
    BEYOND_HORIZON = "beyond_horizon"
    NOT_TOLD = "not_told"


@dataclass(frozen=True, kw_only=True, slots=True)
class Meeting:
    """When a figure is foreseen to meet its limit: earliest, likely and latest, or why there is no date."""

    limit: Limit
    earliest: datetime | None = None
    likely: datetime | None = None
    latest: datetime | None = None
    no_date: NoDate | None = None
    value_now: float | None = None
    limit_value: float | None = None
    points: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Wear:
    """What a drive says of its wear, and how fast it grows.

    Attributes:
        used_percent: [%] of the rated endurance, as the drive says.
        endurance_low_bytes: Rated endurance implied by the whole percents, lower end [bytes].
        endurance_high_bytes: Upper end [bytes].
        rated_share: Written over the maker's rating [1].
        percent_per_day: Growth of percentage used [%/day].
        growth_per_week: Counter name to its growth in the last week [1/week]; only counters that grew.
        firsts: Counter name to the instant at which it was first seen above zero.
    """

    used_percent: int | None = None
    spare_percent: int | None = None
    spare_threshold_percent: int | None = None
    written_bytes: int | None = None
    written_bytes_per_day: float | None = None
    endurance_low_bytes: float | None = None
    endurance_high_bytes: float | None = None
    rated_share: float | None = None
    percent_per_day: float | None = None
    growth_per_week: tuple[tuple[str, float], ...] = ()
    firsts: tuple[tuple[str, datetime], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Outlook:
    """What the present course leads to, with the changes it was read from."""

    at: datetime
    meetings: tuple[Meeting, ...] = ()
    soak_slide: Slide | None = None
    spot_slide: Slide | None = None
    spot_step: Step | None = None
    cliff_slide: Slide | None = None
    spread_growth: float | None = None
    stall_growth: float | None = None
    floor_now_bytes_per_s: float | None = None
    wear: Wear = field(default_factory=Wear)

    def meeting(self, limit: Limit) -> Meeting | None:
        """Give what is foreseen for one limit."""
        return next((m for m in self.meetings if m.limit is limit), None)


class Likeness(StrEnum):
    """How a drive compares with its siblings."""

    LIKE = "like"
    SLOW = "slow"
    TOO_FEW = "too_few"


@dataclass(frozen=True, kw_only=True, slots=True)
class Cohort:
    """A drive beside its siblings; the borrowed figures are a warning, never a pass.

    Attributes:
        ratio: Siblings' median rate over this drive's: how many times as long it takes [1].
        borrowed_floor_bytes_per_s: Siblings' median soak floor, while this drive has no soak [bytes/s].
        borrowed_cliff_bytes: Siblings' median cliff, likewise [bytes].
    """

    likeness: Likeness
    siblings: int = 0
    ratio: float | None = None
    borrowed_floor_bytes_per_s: float | None = None
    borrowed_cliff_bytes: int | None = None


class CauseKind(StrEnum):
    """What makes a drive slow; unknown is an honest answer."""

    TOO_HOT = "too_hot"
    TOO_FULL = "too_full"
    LINK_BELOW_BEST = "link_below_best"
    CABLE_OR_READER = "cable_or_reader"
    WORN = "worn"
    NOT_TRIMMED = "not_trimmed"
    CACHE_SMALLER_THAN_TAKE = "cache_smaller_than_take"
    FAILING_MEDIA = "failing_media"
    BACKGROUND_LOAD = "background_load"
    UNKNOWN = "unknown"


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """A possible cause, how much speaks for it, the facts behind it and one next step.

    Attributes:
        weight: Higher is likelier; only the order means anything [1].
    """

    kind: CauseKind
    weight: float
    facts: tuple[str, ...]
    next_step: str
