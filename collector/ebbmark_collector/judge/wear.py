"""What a drive's own counters say of its wear: how much, how fast, and what grew.

Rules.

1. Level alone seldom matters; the first event and the growth a week do (field studies: Pinheiro et al., FAST
   2007; Mahdisoltani et al., ATC 2017).
2. Percentage used is a whole percent whose rounding is not specified, so what it implies is an interval.
3. 255 percent means "more than 254": it is kept as it is, and no slope is drawn through it.
4. A counter that falls was reset or read from another drive: growth is counted from the fall on.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from math import ceil

from ebbmark_collector.judge.findings import Limit, Meeting, NoDate, Wear
from ebbmark_collector.judge.history import HEALTH_WINDOW_DAYS, HealthPoint, SubjectFacts
from ebbmark_collector.judge.series import days_between
from ebbmark_collector.judge.theil_sen import theil_sen

PERCENT_CAP = 255  # [%] NVM Express: values above 254 are shown as 255
WEEK = timedelta(days=7)
LEAST_SPAN_DAYS = 28.0  # [days] a slope of whole percents over less is mostly rounding
THIN_TO = 60  # [1] points; pairwise slopes of more cost time and add nothing
FARTHEST_DAYS = 3650.0  # [days] dates beyond ten years are not told
FIRST_EVENTS = ("media_errors", "uncorrectable_errors", "pending_sectors", "reallocated_sectors")
COUNTERS = (
    *FIRST_EVENTS,
    "interface_crc_errors",
    "warning_temperature_minutes",
    "critical_temperature_minutes",
    "thermal_transitions",
)


def endurance_interval(written_bytes: float, used_percent: int) -> tuple[float, float] | None:
    """Give the rated endurance that a whole percentage implies, low and high [bytes]; else None.

    Notes:
        A percentage p may have been rounded up, down or to nearest, so it stands for p - 1 to p + 1. At 1 %
        the upper end is open, and the figure is of no use.
    """
    if not 2 <= used_percent < PERCENT_CAP:
        return None
    return written_bytes / ((used_percent + 1) / 100), written_bytes / ((used_percent - 1) / 100)


def tbw_from_dwpd(dwpd: float, capacity_bytes: float, years: float) -> float:
    """Give the bytes written that a rating in drive writes a day amounts to [bytes] (JEDEC JESD218 terms)."""
    return dwpd * capacity_bytes * 365 * years


def dwpd_from_tbw(tbw_bytes: float, capacity_bytes: float, years: float) -> float:
    """Give the drive writes a day that a rating in bytes written amounts to [1/day]."""
    return tbw_bytes / (capacity_bytes * 365 * years)


def read_wear(facts: SubjectFacts, health: Sequence[HealthPoint], now: datetime) -> Wear:
    """Sum up what the health reads say; fields stay None where the drive does not tell."""
    start = now - timedelta(days=HEALTH_WINDOW_DAYS)
    reads = [h for h in health if start <= h.at <= now]
    used = _last(reads, "percentage_used")
    written = _last(reads, "written_bytes")
    implied = endurance_interval(written, used) if written is not None and used is not None else None
    rated = facts.rated_endurance_bytes
    return Wear(
        used_percent=used,
        spare_percent=_last(reads, "available_spare_percent"),
        spare_threshold_percent=_last(reads, "available_spare_threshold_percent"),
        written_bytes=written,
        written_bytes_per_day=_slope(reads, "written_bytes"),
        endurance_low_bytes=implied[0] if implied else None,
        endurance_high_bytes=implied[1] if implied else None,
        rated_share=written / rated if written is not None and rated else None,
        percent_per_day=_slope(reads, "percentage_used"),
        growth_per_week=tuple(
            (name, grown)
            for name in COUNTERS
            if _last(reads[-7:], name) and (grown := growth_per_week(reads, name, now)) > 0
        ),
        firsts=tuple((name, at) for name in FIRST_EVENTS if (at := _first_event(reads, name)) is not None),
    )


def growth_per_week(reads: Sequence[HealthPoint], name: str, now: datetime) -> float:
    """Give how much a counter grew in the last seven days, from the last read before them on [1]."""
    known = _known([h for h in reads if h.at > now - 3 * WEEK] or reads[-1:], name)
    before = [v for at, v in known if at <= now - WEEK][-1:]
    recent = before + [v for at, v in known if at > now - WEEK]
    return float(sum(max(0, b - a) for a, b in pairwise(recent)))


def wear_meeting(reads: Sequence[HealthPoint], limit_percent: float, now: datetime) -> Meeting:
    """Say when percentage used meets its limit, with the interval that whole percents allow."""
    known = [
        (days_between(now, at), v) for at, v in _known(_thin(reads), "percentage_used") if v < PERCENT_CAP
    ]
    return _meeting(known, Limit.WEAR_MEETS_LIMIT, limit_percent, now, rising=True)


def spare_meeting(reads: Sequence[HealthPoint], now: datetime) -> Meeting:
    """Say when available spare meets the drive's own threshold."""
    threshold = _last(reads, "available_spare_threshold_percent")
    if threshold is None:
        return Meeting(limit=Limit.SPARE_MEETS_THRESHOLD, no_date=NoDate.NOT_TOLD)
    known = [(days_between(now, at), v) for at, v in _known(_thin(reads), "available_spare_percent")]
    return _meeting(known, Limit.SPARE_MEETS_THRESHOLD, threshold, now, rising=False)


def _meeting(
    known: Sequence[tuple[float, int]], limit: Limit, limit_value: float, now: datetime, *, rising: bool
) -> Meeting:
    if not known:
        return Meeting(limit=limit, limit_value=limit_value, no_date=NoDate.NOT_TOLD)
    value = known[-1][1]
    sign = 1.0 if rising else -1.0
    gap = sign * (limit_value - value)
    if gap <= 0:
        return Meeting(
            limit=limit,
            limit_value=limit_value,
            value_now=value,
            points=len(known),
            earliest=now,
            likely=now,
            latest=now,
        )
    span = known[-1][0] - known[0][0]
    moved = sign * (value - known[0][1])
    if span < LEAST_SPAN_DAYS:
        return _undated(limit, limit_value, value, len(known), NoDate.TOO_FEW)
    # Both ends of the span may be off by a whole percent; less than two of movement is rounding.
    if moved < 2:
        return _undated(limit, limit_value, value, len(known), NoDate.NO_TREND)
    per_day = sign * theil_sen([d for d, _ in known], [float(v) for _, v in known]).slope
    per_day = per_day if per_day > 0 else moved / span
    days = gap / per_day
    if days > FARTHEST_DAYS:
        return _undated(limit, limit_value, value, len(known), NoDate.BEYOND_HORIZON)
    slowest = (moved - 1) / span
    return Meeting(
        limit=limit,
        limit_value=limit_value,
        value_now=value,
        points=len(known),
        earliest=now + timedelta(days=min(days, max(0.0, gap - 1) / ((moved + 1) / span))),
        likely=now + timedelta(days=days),
        latest=now + timedelta(days=max(days, min(FARTHEST_DAYS, (gap + 1) / slowest))),
    )


def _thin(reads: Sequence[HealthPoint]) -> Sequence[HealthPoint]:
    """Keep at most some sixty reads spread over all, the last among them."""
    every = max(1, ceil(len(reads) / THIN_TO))
    return reads[(len(reads) - 1) % every :: every] if reads else reads


def _undated(limit: Limit, limit_value: float, value: float, points: int, why: NoDate) -> Meeting:
    return Meeting(limit=limit, limit_value=limit_value, value_now=value, points=points, no_date=why)


def _known(reads: Sequence[HealthPoint], name: str) -> list[tuple[datetime, int]]:
    return [(h.at, v) for h in reads if (v := getattr(h, name)) is not None]


def _last(reads: Sequence[HealthPoint], name: str) -> int | None:
    for h in reversed(reads):
        value: int | None = getattr(h, name)
        if value is not None:
            return value
    return None


def _slope(reads: Sequence[HealthPoint], name: str) -> float | None:
    """Give the growth between the ends of the last unbroken rise [1/day]; None over less than four weeks."""
    known = _known(_thin(reads), name)
    start = max((i for i in range(1, len(known)) if known[i][1] < known[i - 1][1]), default=0)
    risen = known[start:]
    if len(risen) < 2 or days_between(risen[0][0], risen[-1][0]) < LEAST_SPAN_DAYS:
        return None
    return (risen[-1][1] - risen[0][1]) / days_between(risen[0][0], risen[-1][0])


def _first_event(reads: Sequence[HealthPoint], name: str) -> datetime | None:
    if not _last(reads, name):
        return None
    return next((h.at for h in reads if (getattr(h, name) or 0) > 0), None)
