"""Transitions and messages for the notifier's tests."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from ebbmark_collector.alerts import Condition, ConditionKind, Event, Severity, Sight, Transition
from ebbmark_collector.notify import Channel, Message, Target, compose

NOW = datetime(2031, 6, 2, 3, 30, tzinfo=UTC)  # half past three at night
SOURCE = "https://collector.lane.example"


def a_line(
    event: Event = Event.RAISED,
    *,
    severity: Severity = Severity.CRITICAL,
    before: Severity | None = None,
    kind: ConditionKind = ConditionKind.FLOOR_UNDER_DEMAND,
    subject_id: str = "drive-1",
    role: str | None = "lane-recorder",
    **changes: Any,
) -> Transition:
    """Give one line of one alert's history."""
    condition = Condition(
        subject_id=subject_id,
        kind=kind,
        sight=Sight.PRESENT,
        severity=severity,
        predicts_lost_frames=True,
        headline="LANE-07, last on edit-3 (Room 2), role lane-recorder: floor 150 MB/s, 240 MB/s asked",
        why=("The soak of 2031-06-01 ended at 150 MB/s.",),
        cause="too_hot",
        next_step="Give it air.",
        since=NOW - timedelta(days=1),
        act_by=NOW,
        role_name=role,
        asset_tag="LANE-07",
        host="edit-3",
        place="Room 2",
    )
    line = Transition(
        key=condition.key,
        event=event,
        at=NOW,
        severity=severity,
        severity_before=before,
        condition=condition,
        notify=True,
    )
    return replace(line, **changes)


def a_message(channel: Channel = Channel.WEBHOOK, *lines: Transition) -> Message:
    """Give the message that tells one raised alert, or the lines given."""
    return compose(lines or (a_line(),), [Target(name="desk", channel=channel)], source=SOURCE, now=NOW)[0]
