"""Is a fixed drive filling up for good, and when would a take end where caches and free blocks run out.

Projects come and go in a saw-tooth, so it is the weekly peaks that are followed, not each day. While a
project grows its weeks rise far more steeply than the drive fills up for good, so the rise is held against
that from one project's peak to the next, too.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from math import inf
from statistics import median

from ebbmark_collector.judge.findings import Limit, Meeting, NoDate
from ebbmark_collector.judge.history import ProbePoint, SubjectHistory
from ebbmark_collector.judge.series import days_between
from ebbmark_collector.judge.theil_sen import theil_sen
from ebbmark_collector.roles import DriveRole

WEEKS = 6  # [1] peaks that make the course
LEAST_WEEKS = 3  # [1]
FULL = 0.85  # [1] used share from which free blocks run short; common practice, no source
FURTHER = 0.03  # [1] of the drive: less is the ebb and flow of projects
SAME = 0.02  # [1] of the drive
EARLIER_DAYS = 10.0  # [days] before a soak; what is nearer belongs to the same project
SANK = 0.10  # [1] of its usual floor
LEAST_RISE = 0.15  # [1] over the usual peak: less is the ebb and flow of projects
PROJECT_WEEKS = 7  # [1] that hold the peak of every project; common practice, no source
USUAL_WEEKS = 26  # [1] peaks that tell what is usual


def take_share(history: SubjectHistory, role: DriveRole) -> float:
    """Give the share of the drive that one take of its role fills [1]; 0 where either size is not known."""
    capacity = history.facts.capacity_bytes
    take = role.demand.take_bytes if role.demand else None
    return min(1.0, take / capacity) if take is not None and capacity else 0.0


def fill_meeting(history: SubjectHistory, role: DriveRole, now: datetime) -> Meeting:
    """Say when the fill before a take meets what the role allows at its end.

    Returns:
        With a likely date only where the newest peaks rise above the usual ones for good; with the newest
        peak as `value_now` where it lies far above the usual ones, rising or not.
    """
    limit = max(0.0, role.role.fill_limit - take_share(history, role))
    peaks = weekly_peaks(history.probes, now)
    if len(peaks) < WEEKS + LEAST_WEEKS:
        return Meeting(limit=Limit.FILL_MEETS_LIMIT, limit_value=limit, no_date=NoDate.TOO_FEW)
    newest, before = peaks[-WEEKS:], peaks[:-LEAST_WEEKS]
    usual = max(p for _, p in before[: max(LEAST_WEEKS, len(before) // 2)])
    level = newest[-1][1]
    rising = min(
        theil_sen(*zip(*newest, strict=True)).slope,
        theil_sen(*zip(*newest[-3:], strict=True)).slope,
        _from_project_to_project(peaks),
    )
    above = level - usual >= LEAST_RISE
    if not above or rising <= 0:
        return Meeting(
            limit=Limit.FILL_MEETS_LIMIT,
            limit_value=limit,
            value_now=level if above else None,
            points=len(peaks),
            no_date=NoDate.NO_TREND,
        )
    days = max(0.0, (limit - level) / rising)
    return Meeting(
        limit=Limit.FILL_MEETS_LIMIT,
        limit_value=limit,
        value_now=level,
        points=len(peaks),
        earliest=now + timedelta(days=days / 2),
        likely=now + timedelta(days=days),
    )


def slowed_as_it_filled(history: SubjectHistory, soaks: Sequence[ProbePoint]) -> float | None:
    """Give how full the newest soak left the drive, where it was slow and those that ran well left more room.

    Past `FULL` a drive clears blocks while it writes: such a soak tells of the fill, not of the drive.

    Returns:
        The used share at its end, at most 1; None where the fill does not explain it.
    """
    if history.facts.rotational:
        return None
    ends = _ends(history, soaks)
    if len(ends) < 2:
        return None
    (end, floor), before = ends[-1], ends[:-1]
    usual = median([f for _, f in before])
    well = max(e for e, f in before if f >= usual)
    slow = floor <= (1 - SANK) * usual
    return min(1.0, end) if slow and end >= FULL and end - well >= FURTHER else None


def _ends(history: SubjectHistory, soaks: Sequence[ProbePoint]) -> list[tuple[float, float]]:
    """Give used share at its end [1] and floor [bytes/s] of each soak that tells both."""
    capacity = history.facts.capacity_bytes
    return [
        (p.fill_start + p.bytes_written / capacity, p.floor_bytes_per_s)
        for p in soaks
        if capacity and p.fill_start is not None and p.floor_bytes_per_s
    ]


def past_a_take(
    history: SubjectHistory, role: DriveRole, soaks: Sequence[ProbePoint], now: datetime
) -> tuple[float, float] | None:
    """Tell whether the newest soak was slow only because it filled the drive further than its takes do.

    A soak writes what a take at the demand would, headroom and all, and on until it has settled, so one begun
    in a half-full drive ends where no single take comes to. One that is slower than those that ended as full
    says more than that.

    Args:
        history: What is known of it.
        role: The role in force; one without a length of its takes fills the drive, so nothing lies past them.
        soaks: Those of the path in use, oldest first.
        now: The instant it is judged at.

    Returns:
        The used share at the soak's end, and that where a take begun at the fullest of late ends; None where
        the fill does not explain it.
    """
    end = slowed_as_it_filled(history, soaks)
    take = take_share(history, role) if end is not None else 0.0
    peaks = weekly_peaks(history.probes, now) if take else []
    if end is None or not peaks:
        return None
    as_full = [floor for e, floor in _ends(history, soaks[:-1]) if abs(e - end) <= SAME]
    floor = soaks[-1].floor_bytes_per_s or 0.0
    take_ends = max(peak for _, peak in peaks) + take
    further = end - take_ends >= FURTHER
    return (end, take_ends) if further and floor >= (1 - SANK) * median(as_full or [floor]) else None


def was_as_full(history: SubjectHistory, soak: ProbePoint, now: datetime) -> bool:
    """Tell whether the drive was as full before, in a project now over: then room comes back, as it did."""
    if soak.fill_start is None:
        return False
    newest = days_between(now, soak.at) - EARLIER_DAYS
    peaks = weekly_peaks(history.probes, now)
    return any(day < newest and peak >= soak.fill_start - SAME for day, peak in peaks)


def _from_project_to_project(peaks: Sequence[tuple[float, float]]) -> float:
    """Give the rise of the highest peak over a project's length, from the one before to the newest [1/day].

    Where the course has begun within it, this is less than the course: it dates late, and never early.
    """
    newest, before = peaks[-PROJECT_WEEKS:], peaks[:-PROJECT_WEEKS][-PROJECT_WEEKS:]
    if not before:
        return inf
    rise = max(p for _, p in newest) - max(p for _, p in before)
    return rise / (7.0 * PROJECT_WEEKS)


def weekly_peaks(probes: Sequence[ProbePoint], now: datetime) -> list[tuple[float, float]]:
    """Give day (before now, negative) and highest fill of each week that has any, oldest first."""
    weeks: dict[int, tuple[datetime, float]] = {}
    for p in reversed(probes):
        days_ago = (now - p.at).days
        if p.fill_start is None or days_ago < 0:
            continue
        week = days_ago // 7
        if week >= USUAL_WEEKS:
            break
        if week not in weeks or p.fill_start > weeks[week][1]:
            weeks[week] = (p.at, p.fill_start)
    return [(days_between(now, at), fill) for _, (at, fill) in sorted(weeks.items(), reverse=True)]
