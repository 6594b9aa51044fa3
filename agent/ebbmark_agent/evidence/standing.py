"""The values a judgement speaks in: standing, reasons, how long, reach, and the fit that holds them."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from ebbmark_agent.evidence.demand import Demand
from ebbmark_agent.evidence.probe_words import FileLayout, ProbeKind


class Standing(StrEnum):
    """What may be asked of a drive. Unproven is not fit."""

    FIT = "fit"
    MARGINAL = "marginal"
    UNFIT = "unfit"
    UNPROVEN = "unproven"


class MinutesKind(StrEnum):
    """What a number of minutes means."""

    LOST_AFTER = "lost_after"
    PROVEN_FOR = "proven_for"
    UNLIMITED = "unlimited"


class ReasonCode(StrEnum):
    """Why a standing is what it is."""

    BELOW_RATE = "below_rate"
    BELOW_DEMAND = "below_demand"
    CARRIES_DEMAND = "carries_demand"
    REACH_SHORT = "reach_short"
    FLAT_SO_FAR = "flat_so_far"
    PAUSED = "paused"
    NOT_FROM_REST = "not_from_rest"
    INNER_TRACKS_UNSEEN = "inner_tracks_unseen"
    BUFFER_LONGER_THAN_TRACE = "buffer_longer_than_trace"
    GAVE_WAY = "gave_way"
    NOT_COMPLETED = "not_completed"
    WRITE_FAULT = "write_fault"
    READ_BACK_WRONG = "read_back_wrong"
    AGED = "aged"
    OTHER_PATH = "other_path"
    OTHER_FILE_SYSTEM = "other_file_system"
    WRONG_SIDE = "wrong_side"
    DEBT = "debt"
    REHEARSED = "rehearsed"
    PATH_LIMITED = "path_limited"
    LINK_BELOW_BEST = "link_below_best"
    LOWERED_LATER = "lowered_later"
    NO_EVIDENCE = "no_evidence"


@dataclass(frozen=True, kw_only=True)
class Reason:
    """One reason, as a word for programs and a sentence for people."""

    code: ReasonCode
    sentence: str


@dataclass(frozen=True, kw_only=True)
class HowLong:
    """How long a demand is carried.

    Attributes:
        kind: What the minutes mean.
        minutes: Minutes of recording [min]; None for unlimited, or where it cannot be said.
        at_byte: Bytes written by then [bytes].
        sentence: The answer in words, with what it assumes.
    """

    kind: MinutesKind
    minutes: float | None
    at_byte: float | None = None
    sentence: str = ""


@dataclass(frozen=True, kw_only=True)
class Reach:
    """What the evidence covers; nothing is proven beyond it.

    Sides as in `ProbeEvidence`; the position on the medium only for a disk, where it sets the rate.
    """

    kind: ProbeKind
    written_bytes: float
    duration_s: float
    whole_medium: bool
    settled: bool
    pauses: int = 0
    fill_start: float | None = None
    fill_end: float | None = None
    position_start: float | None = None
    position_end: float | None = None
    hottest_c: float | None = None
    rest_before_s: float | None = None
    path_key: str
    path_name: str
    file_system: str | None = None
    layout: FileLayout | None = None
    started_at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class Fit:
    """One judgement with everything it stands on.

    Attributes:
        standing: Fit, marginal, unfit or unproven.
        demand: What was asked.
        floor_bytes_per_s: The floor it was judged by [bytes/s]; None where the evidence gives none.
        from_rest: The first take after rest and erase.
        whole_medium: The whole medium, takes back to back.
        cache_spent: A take begun when the cache is already spent; None where no cliff was found.
        reach: What the evidence covers; None without evidence.
        reasons: Why, the deciding ones first.
        rule: Under which rule a marginal drive may be used, in words.
        path_limited: The link and not the drive set the rate.
        age_days: Age of the evidence [days]; None where no `now` was given.
    """

    standing: Standing
    demand: Demand
    floor_bytes_per_s: float | None
    from_rest: HowLong
    whole_medium: HowLong
    cache_spent: HowLong | None = None
    reach: Reach | None
    reasons: tuple[Reason, ...]
    rule: str | None = None
    path_limited: bool = False
    age_days: float | None = None

    @property
    def margin(self) -> float | None:
        """Floor over demand, less one [1]; None without a floor."""
        if self.floor_bytes_per_s is None:
            return None
        return self.floor_bytes_per_s / self.demand.demand_bytes_per_s - 1.0

    def has(self, code: ReasonCode) -> bool:
        """Tell whether a reason is among those given."""
        return any(each.code is code for each in self.reasons)
