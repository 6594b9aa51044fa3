"""Figures as people read them: MB/s, GB, ages and dates, with what is unknown said as a dash."""

import re
from datetime import datetime, timedelta

from ebbmark_collector.client.failures import ClientSettingsError

UNKNOWN = "-"
_SPAN = re.compile(r"^(\d{1,6})\s*(m|min|h|d)$")
_UNITS = {"m": "minutes", "min": "minutes", "h": "hours", "d": "days"}


def plain(value: object) -> str:
    """Give a text without anything a terminal would obey: a drive says its own model name."""
    if value is None:
        return UNKNOWN
    return "".join(c if c.isprintable() else "?" for c in str(value))


def tail(of: str) -> str:
    """Give the end of a long id, by which people and commands call the thing."""
    return of[-7:]


def rate(bytes_per_s: float | None) -> str:
    """Give a rate [bytes/s] in MB/s."""
    return UNKNOWN if bytes_per_s is None else f"{bytes_per_s / 1e6:.0f}"


def size(size_bytes: float | None) -> str:
    """Give a size [bytes] in GB or TB."""
    if size_bytes is None:
        return UNKNOWN
    return f"{size_bytes / 1e12:.1f} TB" if size_bytes >= 1e12 else f"{size_bytes / 1e9:.0f} GB"


def instant(text: str | None) -> datetime | None:
    """Read an instant as the collector writes it (RFC 3339)."""
    return datetime.fromisoformat(text) if text else None


def age(text: str | None, now: datetime) -> str:
    """Give how long ago an instant was."""
    at = instant(text)
    if at is None:
        return UNKNOWN
    return span((now - at).total_seconds())


def span(seconds: float) -> str:
    """Give a span [s] in its largest whole unit."""
    seconds = max(0.0, seconds)
    for length_s, unit in ((86_400, "d"), (3_600, "h"), (60, "min")):
        if seconds >= length_s:
            return f"{seconds / length_s:.0f} {unit}"
    return "now"


def day(text: str | None) -> str:
    """Give an instant as a date in the machine's own zone."""
    at = instant(text)
    return UNKNOWN if at is None else f"{at.astimezone():%Y-%m-%d}"


def minute(text: str | None) -> str:
    """Give an instant to the minute in the machine's own zone."""
    at = instant(text)
    return UNKNOWN if at is None else f"{at.astimezone():%Y-%m-%d %H:%M}"


def how_long(minutes: float | None, kind: str) -> str:
    """Give how long a drive records: frames lost after, proven for, or without end."""
    if kind == "unlimited":
        return "without end"
    if minutes is None:
        return "nothing proven"
    said = f"{minutes:.0f} min" if minutes < 600 else f"{minutes / 60:.0f} h"
    return f"lost after {said}" if kind == "lost_after" else f"proven {said}"


def read_span(text: str) -> timedelta:
    """Read a span such as 90m, 4h or 2d.

    Raises:
        ClientSettingsError: When it is none.
    """
    found = _SPAN.match(text.strip().lower())
    if found is None:
        raise ClientSettingsError(f"{text} is not a span of time, as in 90m, 4h or 2d.")
    return timedelta(**{_UNITS[found.group(2)]: int(found.group(1))})


def read_instant(text: str) -> datetime:
    """Read an instant; without an offset it is the machine's own time.

    Raises:
        ClientSettingsError: When it is none.
    """
    try:
        return datetime.fromisoformat(text.strip()).astimezone()
    except (ValueError, OverflowError) as error:
        raise ClientSettingsError(
            f"{text} is not a time, as in 2026-03-02T20:00 or 2026-03-02T20:00Z."
        ) from error
