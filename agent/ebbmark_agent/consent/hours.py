"""Probe hours: whether an instant lies inside them, and when the span it lies in ends.

The spans are read off the wall clock of the machine's place, so they move with summer time: a span inside the
hour that is skipped does not happen that night, and one inside the hour that comes twice lasts twice as long.
Neither starves nor doubles probes, since cadence is counted from the last probe in UTC.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from ebbmark_agent.report import ProbeHours

_STEP = timedelta(minutes=1)
_LONGEST = timedelta(days=8)


def inside_hours(now: datetime, *, hours: Sequence[ProbeHours], zone: tzinfo) -> bool:
    """Say whether an instant lies inside any of the spans.

    Args:
        now: The instant (aware).
        hours: The spans; none at all means never.
        zone: The machine's time zone.
    """
    local = now.astimezone(zone)
    minute = local.hour * 60 + local.minute
    return any(_inside(minute, local.weekday(), span) for span in hours)


def _inside(minute: int, weekday: int, span: ProbeHours) -> bool:
    if span.from_minute < span.until_minute:
        return weekday in span.weekdays and span.from_minute <= minute < span.until_minute
    if minute >= span.from_minute:
        return weekday in span.weekdays
    return minute < span.until_minute and (weekday - 1) % 7 in span.weekdays


def inside_both(
    now: datetime, *, owner: Sequence[ProbeHours], ordered: Sequence[ProbeHours], zone: tzinfo
) -> bool:
    """Say whether an instant lies inside the owner's spans and, where there are any, the ordered ones.

    Args:
        now: The instant (aware).
        owner: The owner's spans, the outer bound.
        ordered: The collector's spans; none means it adds no bound.
        zone: The machine's time zone.
    """
    return inside_hours(now, hours=owner, zone=zone) and (
        not ordered or inside_hours(now, hours=ordered, zone=zone)
    )


def span_ends_at(
    now: datetime, *, owner: Sequence[ProbeHours], ordered: Sequence[ProbeHours], zone: tzinfo
) -> datetime | None:
    """Give the instant at which the present span ends, to the minute.

    Args:
        now: An instant inside the hours.
        owner: The owner's spans.
        ordered: The collector's spans; none means it adds no bound.
        zone: The machine's time zone.

    Returns:
        The end in UTC, or None if the hours never end.
    """
    instant = now.astimezone(UTC).replace(second=0, microsecond=0)
    limit = instant + _LONGEST
    while instant < limit:
        instant += _STEP
        if not inside_both(instant, owner=owner, ordered=ordered, zone=zone):
            return instant
    return None


def hours_sentence(hours: Sequence[ProbeHours]) -> str:
    """Say spans for people, such as `01:00-06:00`.

    Args:
        hours: The spans.
    """
    return ", ".join(f"{_clock(span.from_minute)}-{_clock(span.until_minute)}" for span in hours) or "none"


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"
