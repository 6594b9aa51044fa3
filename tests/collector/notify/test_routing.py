"""Who is told of what, and when."""

from datetime import UTC, datetime, time, timedelta

import pytest
from ebbmark_collector.alerts import ConditionKind, Event, Severity, Transition, group
from ebbmark_collector.notify import Channel, QuietHours, Target, route

from tests.collector.notify.letters import NOW, a_line

NIGHT = QuietHours(starts=time(20), ends=time(7))


def routed(target: Target, *lines: Transition, now: datetime = NOW) -> list[tuple[datetime, bool]]:
    """Give when each notice goes to the target, and whether in its digest."""
    return [(r.not_before, r.in_digest) for r in route(group(lines), [target], now)]


def test_quiet_hours_hold_back_what_is_not_critical_until_they_end() -> None:
    """At half past three a major alert waits for seven o'clock."""
    desk = Target(name="desk", channel=Channel.MAIL, quiet=NIGHT)

    assert routed(desk, a_line(severity=Severity.MAJOR)) == [(datetime(2031, 6, 2, 7, tzinfo=UTC), False)]


def test_quiet_hours_never_hold_back_critical() -> None:
    """A critical alert goes out at once, whatever the hour and the digest."""
    desk = Target(name="desk", channel=Channel.MAIL, quiet=NIGHT, digest_below=Severity.CRITICAL)

    assert routed(desk, a_line(severity=Severity.CRITICAL)) == [(NOW, False)]


def test_quiet_hours_are_those_of_the_people() -> None:
    """Half past three in UTC is half past five in Vienna in summer, so seven there is five in UTC."""
    vienna = QuietHours(starts=time(20), ends=time(7), zone="Europe/Vienna")

    assert vienna.end_after(NOW) == datetime(2031, 6, 2, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    ("hour", "inside"), [(20, True), (23, True), (0, True), (6, True), (7, False), (12, False), (19, False)]
)
def test_quiet_hours_wrap_past_midnight(hour: int, inside: bool) -> None:
    """From eight in the evening to seven in the morning."""
    at = datetime(2031, 6, 2, hour, tzinfo=UTC)

    assert (NIGHT.end_after(at) is not None) is inside


def test_the_quietest_go_into_the_next_digest() -> None:
    """A warning waits for eight o'clock and goes with the others."""
    desk = Target(name="desk", channel=Channel.MAIL)

    assert routed(desk, a_line(severity=Severity.WARNING)) == [(datetime(2031, 6, 2, 8, tzinfo=UTC), True)]


def test_evidence_that_ages_goes_in_the_digest_only() -> None:
    """What is told of media that come and go never goes out alone."""
    desk = Target(name="desk", channel=Channel.MAIL, digest_below=None)

    assert routed(desk, a_line(severity=Severity.MINOR, kind=ConditionKind.EVIDENCE_AGING))[0][1] is True


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (a_line(severity=Severity.MAJOR), True),
        (a_line(severity=Severity.MINOR), False),
        (a_line(Event.SEVERITY_DOWN, severity=Severity.MINOR, before=Severity.MAJOR), True),
        (a_line(Event.SEVERITY_DOWN, severity=Severity.WARNING, before=Severity.MINOR), False),
        (a_line(Event.CLEARED, severity=Severity.MAJOR, before=Severity.MAJOR), True),
        (a_line(Event.CLEARED, severity=Severity.MINOR, before=Severity.MINOR), False),
        (a_line(Event.REAPPEARED, severity=Severity.MAJOR, before=Severity.MAJOR), True),
    ],
    ids=["raised", "raised below", "falls below", "changes below", "cleared", "cleared below", "reappeared"],
)
def test_a_target_hears_from_its_level_on(line: Transition, told: bool) -> None:
    """RFC 8632: changes at or above the level, and the one that goes from there to below."""
    desk = Target(name="desk", channel=Channel.WEBHOOK, least=Severity.MAJOR)

    assert bool(routed(desk, line)) is told


def test_a_target_hears_of_its_roles_only() -> None:
    """Who looks after the recorders is not woken for the edit room."""
    desk = Target(name="desk", channel=Channel.WEBHOOK, roles=("lane-recorder",))

    assert routed(desk, a_line())
    assert not routed(desk, a_line(role="edit-cache"))


def test_the_next_digest_after_its_hour_is_tomorrows() -> None:
    """At eight sharp the digest of the day has gone."""
    desk = Target(name="desk", channel=Channel.MAIL)
    eight = datetime(2031, 6, 2, 8, tzinfo=UTC)

    assert routed(desk, a_line(severity=Severity.WARNING), now=eight)[0][0] == eight + timedelta(days=1)
