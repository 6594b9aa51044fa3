"""Probe hours on the wall clock, summer time included."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from ebbmark_agent.consent import inside_hours, span_ends_at
from ebbmark_agent.settings import parse_probe_hours

BERLIN = ZoneInfo("Europe/Berlin")


def minutes_inside(span: str, *, day: datetime) -> int:
    """Count the minutes of 30 h from an instant that lie inside a span in Berlin."""
    hours = (parse_probe_hours(span),)
    return sum(inside_hours(day + timedelta(minutes=m), hours=hours, zone=BERLIN) for m in range(30 * 60))


# 2026-03-29 01:00 UTC and 2026-10-25 01:00 UTC: last Sundays of March and October, Directive 2000/84/EC.
@pytest.mark.parametrize(
    ("day", "span", "minutes"),
    [
        (datetime(2026, 3, 10, 12, tzinfo=UTC), "01:00-06:00", 300),
        (datetime(2026, 3, 28, 12, tzinfo=UTC), "01:00-06:00", 240),
        (datetime(2026, 3, 28, 12, tzinfo=UTC), "02:10-02:50", 0),
        (datetime(2026, 10, 24, 12, tzinfo=UTC), "01:00-06:00", 360),
        (datetime(2026, 10, 24, 12, tzinfo=UTC), "02:10-02:50", 80),
        (datetime(2026, 3, 10, 12, tzinfo=UTC), "22:00-04:00", 360),
    ],
    ids=["plain", "spring", "spring-skipped", "autumn", "autumn-twice", "past-midnight"],
)
def test_spans_follow_the_wall_clock(day: datetime, span: str, minutes: int) -> None:
    """A span lasts as long as the wall clock shows it, also when summer time begins and ends."""
    assert minutes_inside(span, day=day) == minutes


def test_days_name_the_start_of_a_span() -> None:
    """A Friday span past midnight still counts on Saturday morning, and not on Friday morning."""
    hours = (parse_probe_hours("fri 22:00-04:00"),)

    assert inside_hours(datetime(2026, 3, 14, 3, 59, tzinfo=UTC), hours=hours, zone=UTC)
    assert not inside_hours(datetime(2026, 3, 14, 4, 0, tzinfo=UTC), hours=hours, zone=UTC)
    assert not inside_hours(datetime(2026, 3, 13, 3, 0, tzinfo=UTC), hours=hours, zone=UTC)


def test_no_hours_mean_never() -> None:
    """An owner who leaves the list empty has no probe hours at all."""
    assert not inside_hours(datetime(2026, 3, 14, tzinfo=UTC), hours=(), zone=UTC)


def test_the_end_of_a_span_is_told() -> None:
    """The end of the present span is the earlier of the owner's and the ordered one's."""
    owner = (parse_probe_hours("01:00-06:00"),)
    now = datetime(2026, 3, 10, 2, 30, 12, tzinfo=UTC)

    assert span_ends_at(now, owner=owner, ordered=(), zone=UTC) == datetime(2026, 3, 10, 6, tzinfo=UTC)
    assert span_ends_at(now, owner=owner, ordered=(parse_probe_hours("00:00-03:00"),), zone=UTC) == datetime(
        2026, 3, 10, 3, tzinfo=UTC
    )


def test_hours_around_the_clock_have_no_end() -> None:
    """Hours that cover every day whole never end."""
    always = (parse_probe_hours("00:00-24:00"),)

    assert span_ends_at(datetime(2026, 3, 10, tzinfo=UTC), owner=always, ordered=(), zone=UTC) is None
