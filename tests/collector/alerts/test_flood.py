"""A flood becomes one notice."""

from datetime import UTC, datetime, timedelta

from ebbmark_collector.alerts import (
    Condition,
    ConditionKind,
    Event,
    Severity,
    Transition,
    group,
    step,
    weigh_host,
)
from ebbmark_collector.alerts.vocabulary import Sight
from ebbmark_collector.judge import HostFacts

START = datetime(2031, 6, 1, tzinfo=UTC)


def line(
    number: int, at: datetime = START, *, severity: Severity = Severity.MAJOR, notify: bool = True
) -> Transition:
    """Give one raised alert of one of many drives."""
    condition = Condition(
        subject_id=f"drive-{number:03}",
        kind=ConditionKind.SILENT_DRIVE,
        sight=Sight.PRESENT,
        severity=severity,
        headline=f"Drive {number} is silent",
        asset_tag=f"LANE-{number:03}",
        place="Room 2",
    )
    return Transition(
        key=condition.key,
        event=Event.RAISED,
        at=at,
        severity=severity,
        severity_before=None,
        condition=condition,
        notify=notify,
    )


def test_forty_hosts_that_fall_silent_together_are_one_notice() -> None:
    """A switch fails: forty alerts are raised and one notice names all forty."""
    hosts = [
        HostFacts(host_id=f"h{i}", name=f"edit-{i}", place="Machine room", heard_at=START) for i in range(40)
    ]
    now = START + timedelta(days=4)
    conditions = [c for host in hosts for c in weigh_host(host, now=now)]

    notices = group(step({}, conditions, now).transitions)

    assert len(notices) == 1
    assert notices[0].is_flood
    assert len(notices[0].transitions) == 40
    assert notices[0].headline.startswith("40 alerts at once in Machine room, silent host, raised: edit-0,")


def test_ten_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    """ANSI/ISA-18.2: a flood is more than ten alarms in ten minutes for one person."""
    assert len(group([line(i) for i in range(10)])) == 10
    assert len(group([line(i) for i in range(11)])) == 1


def test_eleven_over_an_hour_are_no_flood() -> None:
    """The same number spread out is told one by one."""
    assert len(group([line(i, START + timedelta(minutes=6 * i)) for i in range(11)])) == 11


def test_a_flood_has_the_gravest_severity_in_it() -> None:
    """One critical among many makes the notice critical."""
    lines = [line(i, severity=Severity.CRITICAL if i == 7 else Severity.WARNING) for i in range(20)]

    assert group(lines)[0].severity is Severity.CRITICAL


def test_what_notifies_nobody_is_left_out() -> None:
    """Shelved alerts are in no notice and make no flood."""
    assert group([line(i, notify=False) for i in range(20)]) == ()


def test_the_order_of_arrival_does_not_matter() -> None:
    """The same lines in another order give the same notices."""
    lines = [line(i, START + timedelta(seconds=i)) for i in range(15)]

    assert group(reversed(lines)) == group(lines)
