"""The story's calendar: day numbers to instants, and when in a night things happen."""

from datetime import UTC, datetime, timedelta

FIRST_DAY = datetime(2025, 1, 6, tzinfo=UTC)  # a Monday


def instant(day: int, hour: float = 0.0, *, first_day: datetime = FIRST_DAY) -> datetime:
    """Give the instant of an hour on a day of the story."""
    return first_day + timedelta(days=day, hours=hour)
