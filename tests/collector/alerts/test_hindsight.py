"""The judge against reported incidents."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from ebbmark_collector.alerts import Condition, ConditionKind, Event, Severity, Sight, Transition, hindsight
from ebbmark_collector.judge import Incident

HAPPENED = datetime(2031, 6, 1, 20, tzinfo=UTC)
LOST = Incident(incident_id="i-1", happened_at=HAPPENED, reported_by="Imre")


def announced(days_before: float, *, predicts: bool = True, kind: ConditionKind | None = None) -> Transition:
    """Give an alert raised so many days before the incident."""
    condition = Condition(
        subject_id="drive-1",
        kind=kind or ConditionKind.FLOOR_WILL_MEET_DEMAND,
        sight=Sight.PRESENT,
        severity=Severity.MAJOR,
        predicts_lost_frames=predicts,
    )
    return Transition(
        key=condition.key,
        event=Event.RAISED,
        at=HAPPENED - timedelta(days=days_before),
        severity=Severity.MAJOR,
        severity_before=None,
        condition=condition,
    )


def test_an_alert_that_said_so_before_foresaw_it() -> None:
    """The lead counts from the first such alert."""
    seen = hindsight({"drive-1": [LOST]}, {"drive-1": [announced(12), announced(40)]})

    assert seen.foreseen == ("i-1",)
    assert seen.median_lead_days == 40.0
    assert seen.share_foreseen == 1.0


@pytest.mark.parametrize(
    "line",
    [
        pytest.param(announced(30, predicts=False), id="predicted nothing"),
        pytest.param(announced(-1), id="raised after"),
        pytest.param(announced(121), id="far too early"),
        pytest.param(announced(1, kind=ConditionKind.FRAMES_LOST), id="raised by an incident"),
        pytest.param(replace(announced(5), event=Event.CLEARED), id="cleared"),
    ],
)
def test_what_did_not_foresee_it(line: Transition) -> None:
    """Only a raised alert that announces lost frames, before it and not for ever before, counts."""
    assert hindsight({"drive-1": [LOST]}, {"drive-1": [line]}).missed == ("i-1",)


def test_without_incidents_nothing_is_claimed() -> None:
    """No ground truth, no score."""
    assert hindsight({}, {}).share_foreseen is None
