"""Whether a drive that is not told of freed blocks is about to lose rate for want of them, and its next soak.

Rules.

1. A soak since then tells more than the calendar: one that was soon slower says so at once, and where its
   cache shrinks with the free blocks that dates their end. One well into it leaves it half as long again,
   for the next soak to tell, and never less than the calendar does. Without one the calendar has to do.
2. Slower is what lies beneath the soaks before by more than this drive's soaks differ. One that lies beneath
   them by more than most drives' soaks differ, yet not this one's, is followed by another within a week, and
   the two together tell: the mean of two scatters 1/sqrt(2) as widely as one.
3. Where free blocks go slowly, the course of the soaks has time to tell and gives the date.
"""

from collections.abc import Sequence
from datetime import datetime
from math import log, sqrt
from statistics import fmean, median

from ebbmark_collector.judge.causes import SHRUNK
from ebbmark_collector.judge.course import LEAST_SPOTS, SOAK_SCATTER
from ebbmark_collector.judge.history import ProbePoint, SubjectHistory
from ebbmark_collector.judge.robust import mad_sigma
from ebbmark_collector.judge.series import days_between, spot_series
from ebbmark_collector.judge.slide import scatter_of
from ebbmark_collector.judge.standing import spot_scatter

CALENDAR_DAYS = 42.0  # [days] without trim that use up many drives' free blocks; common practice, no source
WELL_INTO_DAYS = 10.0  # [days] without trim after which an unchanged soak tells something
SOON_DAYS = 75.0  # [days] without trim in which a slower soak is called at once; later ones make a course
RUN_OUT_TIMES = 2.8  # [1] times the days in which free blocks go to a third: six percent are left
SLOWER = 0.93  # [1] of what it lasted at while it was trimmed: more than most drives' soaks differ by
SLOWER_SIGMAS = 2.0  # [1] of how this drive's soaks differ, for the next one comes soon
SAG_SOAKS = 4  # [1] that tell how soaks of this drive differ
SAG_SIGMAS = 5.0  # [1] of that: no like soak gets there by chance
LEAST_SAG = 0.04  # [1] of ln(floor)
FIRST_DAYS = 14.0  # [days] without trim: by then the drives that lose it fastest show it in a soak
SHARE = 0.4  # [1] of the days without trim at the last soak, from that to the next
PATIENT_TIMES = 1.1 + SHARE  # [1] times the same: by then that next soak has come in, if late by some nights
CONFIRM_DAYS = 7.0  # [days] from a soak that may be slower to the one that tells


def runs_short(history: SubjectHistory, since: datetime, now: datetime, *, horizon_days: float) -> bool:
    """Tell whether a drive untrimmed for some days is on its way to losing rate for want of free blocks.

    Args:
        history: What is known of it.
        since: From when on it was not told of freed blocks.
        now: The instant it is judged at.
        horizon_days: How far ahead a loss is foretold [days].
    """
    days = days_between(since, now)
    before, after = _parted(history, since, now)
    if not before or not after:
        return days >= CALENDAR_DAYS
    newest, into_it = after[-1], days_between(since, after[-1].at)
    told = _is_slower(history, before, after) or _sagged(history, before, newest)
    if told and into_it < SOON_DAYS:
        return True
    left = _cache_left(newest, before)
    if left < SHRUNK and RUN_OUT_TIMES * into_it / -log(left) - days <= horizon_days:
        return True
    return days >= max(CALENDAR_DAYS, PATIENT_TIMES * into_it if into_it >= WELL_INTO_DAYS else 0.0)


def next_soak_days(history: SubjectHistory, since: datetime, now: datetime) -> float | None:
    """Give the days from its last soak to the one that tells how it does without trim; None without any."""
    before, after = _parted(history, since, now)
    if not before and not after:
        return None
    if not after:
        return FIRST_DAYS + days_between(before[-1].at, since)
    newest, one_before = after[-1], after[-2:-1]
    if _may_be_slower(newest, before) and not any(_may_be_slower(p, before) for p in one_before):
        return CONFIRM_DAYS
    return max(FIRST_DAYS, SHARE * days_between(since, newest.at))


def _parted(
    history: SubjectHistory, since: datetime, now: datetime
) -> tuple[list[ProbePoint], list[ProbePoint]]:
    soaks = [p for p in history.soaks if p.path_key == history.path_key and p.at <= now]
    return [p for p in soaks if p.at <= since], [p for p in soaks if p.at > since]


def _scatter(history: SubjectHistory, usual: Sequence[float], newest: ProbePoint) -> float:
    """Give how soaks of this drive differ, as it was known at the newest [1]: what it says, it says once."""
    spots = spot_series(history, newest.at)
    by_spots = SOAK_SCATTER * spot_scatter(spots) if len(spots) >= LEAST_SPOTS else 0.0
    return max(by_spots, scatter_of(usual))


def _lasted(soaks: Sequence[ProbePoint]) -> list[float]:
    return [log(p.lasting_bytes_per_s) for p in soaks if p.lasting_bytes_per_s]


def _may_be_slower(soak: ProbePoint, before: Sequence[ProbePoint]) -> bool:
    usual, lasted = _lasted(before), _lasted([soak])
    return bool(usual and lasted) and median(usual) - lasted[0] > -log(SLOWER)


def _is_slower(history: SubjectHistory, before: Sequence[ProbePoint], after: Sequence[ProbePoint]) -> bool:
    """Tell whether the newest soak, or the newest two together, lasted at less than soaks differ by."""
    usual = _lasted(before)
    if not usual:
        return False
    least = max(-log(SLOWER), SLOWER_SIGMAS * _scatter(history, usual, after[-1]))
    groups = [_lasted(after[-count:]) for count in (1, 2)]
    return any(
        len(group) == count and median(usual) - fmean(group) > least / sqrt(count)
        for count, group in enumerate(groups, start=1)
    )


def _sagged(history: SubjectHistory, before: Sequence[ProbePoint], newest: ProbePoint) -> bool:
    """Tell whether a floor lies beneath those before by far more than they differ among themselves.

    Free blocks run out near the end of a soak first: its floor tells while most of it still lasts as usual.
    """
    floors = [log(p.floor_bytes_per_s) for p in before if p.floor_bytes_per_s]
    if len(floors) < SAG_SOAKS or not newest.floor_bytes_per_s:
        return False
    differ = max(SAG_SIGMAS * mad_sigma(floors), SLOWER_SIGMAS * _scatter(history, floors, newest))
    return log(newest.floor_bytes_per_s) < median(floors) - max(LEAST_SAG, differ)


def _cache_left(newest: ProbePoint, before: Sequence[ProbePoint]) -> float:
    """Give the share of the usual cache that is left [1]; 1 where no cliff tells."""
    cliffs = [p.cliff_at_bytes for p in before if p.cliff_at_bytes]
    return newest.cliff_at_bytes / median(cliffs) if cliffs and newest.cliff_at_bytes else 1.0
