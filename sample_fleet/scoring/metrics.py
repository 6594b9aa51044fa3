"""The figures of the score, from calls and truths alone.

1. A call counts only if its judge says by it that frames will be lost, and only on drives with a duty.
2. It is right if the drive's first lost frame comes after it and at most 120 days after it, or if the drive
   was losing frames already. It is false otherwise; earlier than 120 days is false too.
3. Recall is over the drives that were fit when taken on and lose frames within the story. Lead is counted
   from the earliest right call to the first lost frame.
4. Precision counts a drive once when rightly called, however often it was called, and every false alert
   each time it is raised.
"""

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sample_fleet.physics.fate import Fate
from sample_fleet.physics.nature import Trouble
from sample_fleet.scoring.calls import Call

EARLIEST_DAYS = 120.0  # [d] a call further ahead of the loss than this is called false
DROP_HOUR = 0.5  # [d] takes begin at noon, after the night's probes
_CHATTER_TIMES, _CHATTER_DAYS = 3, 30.0  # raised this often within so many days is chatter

CAUSES: Mapping[Trouble, frozenset[str]] = {
    Trouble.WORN: frozenset({"worn"}),
    Trouble.FULL: frozenset({"too_full"}),
    Trouble.UNTRIMMED: frozenset({"not_trimmed"}),
    Trouble.HOT: frozenset({"too_hot"}),
    Trouble.CABLE: frozenset({"cable_or_reader", "link_below_best"}),
    Trouble.SICK: frozenset({"failing_media"}),
    Trouble.CACHE_TOO_SMALL: frozenset({"cache_smaller_than_take"}),
}


@dataclass(frozen=True, kw_only=True)
class Case:
    """One drive's truth, as the metrics need it.

    Args:
        drive: Its key.
        fate: Its fate.
    """

    drive: str
    fate: Fate

    @property
    def lost_at(self) -> float | None:
        """Give when its first frame is lost [d]."""
        first = self.fate.first_drop_day
        return None if first is None else first + DROP_HOUR


@dataclass(frozen=True, kw_only=True)
class Tally:
    """Counts that add up over seeds; the score is made from their sum."""

    drives: int = 0
    drive_years: float = 0.0
    at_risk: int = 0
    foreseen: int = 0
    called_drives: int = 0
    false_calls: int = 0
    leads_days: tuple[float, ...] = ()
    sudden_leads_days: tuple[float, ...] = ()
    causes_judged: int = 0
    causes_right: int = 0
    raised: int = 0
    weeks: float = 0.0
    chattering: int = 0

    def __add__(self, other: "Tally") -> "Tally":
        """Add two seeds' counts."""
        return Tally(
            **{name: getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__}
        )


@dataclass(frozen=True, kw_only=True)
class Score:
    """The figures; `None` where nothing can be said.

    Args:
        recall: Share of the drives at risk called in time [1].
        precision: Right among all that was called [1].
        lead_days_median: Of gradual troubles [d].
        lead_days_p10: Tenth percentile of the same [d].
        sudden_lead_days_median: Of troubles that came overnight [d].
        false_alerts_per_drive_year: False calls [1/a].
        alerts_per_admin_week: Alerts of any kind raised in one studio [1/week].
        first_cause_right: Share of the right first calls that name the true cause first [1].
        chattering: Alerts raised three times or more within thirty days [1].
    """

    recall: float | None
    precision: float | None
    lead_days_median: float | None
    lead_days_p10: float | None
    sudden_lead_days_median: float | None
    false_alerts_per_drive_year: float | None
    alerts_per_admin_week: float | None
    first_cause_right: float | None
    chattering: int
    drives: int
    at_risk: int
    foreseen: int
    false_calls: int


def tally(
    cases: Sequence[Case], calls: Sequence[Call], *, days: int, all_calls: Sequence[Call] = ()
) -> Tally:
    """Count one seed.

    Args:
        cases: The drives with a duty that are judged.
        calls: Everything raised about them.
        days: Length of the story [d].
        all_calls: Everything raised in the studio, for the admin's week and for chatter.
    """
    by_drive: dict[str, list[Call]] = {case.drive: [] for case in cases}
    for call in calls:
        if call.drive in by_drive:
            by_drive[call.drive].append(call)
    raised = [call for call in all_calls if call.raised]
    total = Tally(
        drives=len(cases),
        drive_years=len(cases) * days / 365.0,
        weeks=days / 7.0,
        raised=len(raised),
        chattering=_chattering(raised),
    )
    for case in cases:
        total += _tally_one(case, sorted(by_drive[case.drive], key=lambda c: c.at_day), days)
    return total


def is_right(case: Case, call: Call) -> bool:
    """Tell whether a call that frames will be lost is right about this drive."""
    lost_at = case.lost_at
    return lost_at is not None and call.at_day >= lost_at - EARLIEST_DAYS


def _tally_one(case: Case, calls: list[Call], days: int) -> Tally:
    announcing = [call for call in calls if call.predicts]
    right = [call for call in announcing if is_right(case, call)]
    lost_at = case.lost_at
    at_risk = case.fate.fit_at_start and lost_at is not None and lost_at <= days
    in_time = [call for call in right if lost_at is not None and call.at_day < lost_at]
    first = in_time[0] if in_time else None
    foreseen = at_risk and first is not None
    lead = (lost_at - first.at_day,) if foreseen and first is not None and lost_at is not None else ()
    judged = foreseen and first is not None and first.cause is not None
    return Tally(
        at_risk=int(at_risk),
        foreseen=int(foreseen),
        called_drives=int(bool(right)),
        false_calls=len({(c.episode, c.period) for c in announcing if not is_right(case, c)}),
        leads_days=() if case.fate.sudden else lead,
        sudden_leads_days=lead if case.fate.sudden else (),
        causes_judged=int(foreseen),
        causes_right=int(judged and first is not None and first.cause in CAUSES.get(case.fate.cause, ())),
    )


def _chattering(calls: Sequence[Call]) -> int:
    """Count the alerts raised three times or more within thirty days."""
    episodes: dict[tuple[str, str, str], list[float]] = {}
    for call in calls:
        episodes.setdefault((call.drive, call.kind, call.episode), []).append(call.at_day)
    return sum(
        any(
            days[i + _CHATTER_TIMES - 1] - days[i] <= _CHATTER_DAYS
            for i in range(len(days) - _CHATTER_TIMES + 1)
        )
        for days in (sorted(found) for found in episodes.values())
    )


def score_of(total: Tally) -> Score:
    """Make the figures from the counts."""
    called = total.called_drives + total.false_calls
    leads = sorted(total.leads_days)
    return Score(
        recall=_share(total.foreseen, total.at_risk),
        precision=_share(total.called_drives, called),
        lead_days_median=statistics.median(leads) if leads else None,
        lead_days_p10=leads[int(0.1 * (len(leads) - 1))] if leads else None,
        sudden_lead_days_median=(
            statistics.median(total.sudden_leads_days) if total.sudden_leads_days else None
        ),
        false_alerts_per_drive_year=_share(total.false_calls, total.drive_years),
        alerts_per_admin_week=_share(total.raised, total.weeks),
        first_cause_right=_share(total.causes_right, total.causes_judged),
        chattering=total.chattering,
        drives=total.drives,
        at_risk=total.at_risk,
        foreseen=total.foreseen,
        false_calls=total.false_calls,
    )


def _share(part: float, whole: float) -> float | None:
    return part / whole if whole else None
