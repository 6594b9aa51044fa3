"""Is a fixed drive filling up for good, and when would a take end where caches and free blocks run out.

Projects come and go in a saw-tooth, so it is the weekly peaks that are followed, not each day.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta

from ebbmark_collector.judge.findings import Limit, Meeting, NoDate
from ebbmark_collector.judge.history import ProbePoint, SubjectHistory
from ebbmark_collector.judge.series import days_between
from ebbmark_collector.judge.theil_sen import theil_sen
from ebbmark_collector.roles import DriveRole

WEEKS = 6  # [1] peaks that make the course
LEAST_WEEKS = 3  # [1]
LEAST_RISE = 0.15  # [1] over the usual peak: less is the ebb and flow of projects
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
        theil_sen(*zip(*newest, strict=True)).slope, theil_sen(*zip(*newest[-3:], strict=True)).slope
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


def weekly_peaks(probes: Sequence[ProbePoint], now: datetime) -> list[tuple[float, float]]:
    """Give day (before now, negative) and highest fill of each week that has any, oldest first."""
    weeks: dict[int, tuple[float, float]] = {}
    for p in reversed(probes):
        if p.fill_start is None or p.at > now:
            continue
        day = days_between(now, p.at)
        week = int(-day // 7)
        if week >= USUAL_WEEKS:
            break
        if week not in weeks or p.fill_start > weeks[week][1]:
            weeks[week] = (day, p.fill_start)
    return [weeks[w] for w in sorted(weeks, reverse=True)]
