"""Alerts of a fleet two years old: what was raised and cleared long ago, and what is open now."""

import random
from datetime import datetime, timedelta

from ebbmark_collector.alerts.vocabulary import (
    AlertState,
    Condition,
    ConditionKind,
    Event,
    Key,
    Phase,
    Severity,
    Sight,
    Transition,
)
from ebbmark_collector.store import Tx, alerting

_KINDS = (
    ConditionKind.TOO_HOT,
    ConditionKind.MARGIN_THIN,
    ConditionKind.FLOOR_STEPPED_DOWN,
    ConditionKind.NO_RECENT_SOAK,
    ConditionKind.LINK_BELOW_BEST,
)
_EACH = 2  # [1] alerts a drive had in two years
_OPEN_SHARE = 0.08  # [1] of them that are open now


def invent_alerts(tx: Tx, drive_id: str, host_id: str, *, now: datetime, chance: random.Random) -> None:
    """Give a drive the alerts of two years, through the store's own statements.

    Args:
        tx: A writing transaction.
        drive_id: The drive.
        host_id: The host it is on.
        now: The end of the story.
        chance: Which, how severe, and how many of them are open.
    """
    for kind in chance.sample(_KINDS, _EACH):
        raised_at = now - timedelta(minutes=chance.randrange(60, 700 * 1440))
        cleared_at = None if chance.random() < _OPEN_SHARE else raised_at + timedelta(hours=1)
        severity = chance.choice(tuple(Severity))
        condition = Condition(
            subject_id=drive_id,
            kind=kind,
            sight=Sight.ABSENT if cleared_at else Sight.PRESENT,
            severity=severity,
            headline=f"Drive {drive_id} in role field-recorder shows {kind.value.replace('_', ' ')}.",
            why=("Its last five spots agree with each other.", "Nothing else in its past explains it."),
            next_step="Run a soak before the next recording.",
            because="It was not seen for an hour." if cleared_at else None,
            role_name="field-recorder",
        )
        key = Key(drive_id, kind)
        state = AlertState(
            key=key,
            phase=Phase.QUIET if cleared_at else Phase.RAISED,
            phase_since=cleared_at or raised_at,
            severity=severity,
            condition=condition,
            raised_at=raised_at,
            changed_at=cleared_at or raised_at,
            cleared_at=cleared_at,
            cleared_because=condition.because,
            times_raised=1,
        )
        told = [(Event.RAISED, raised_at)] + ([(Event.CLEARED, cleared_at)] if cleared_at else [])
        lines = [
            Transition(
                key=key, event=event, at=at, severity=severity, severity_before=None, condition=condition
            )
            for event, at in told
        ]
        alerting.keep(tx, [state], lines, now=raised_at, drive_id=drive_id, host_id=host_id)
