"""Alerts: the present state of each, its history, and which lines of it somebody must still be told of."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import lru_cache

from pydantic import TypeAdapter

from ebbmark_collector.alerts.vocabulary import AlertState, ConditionKind, Key, Phase, Severity, Transition
from ebbmark_collector.store.ids import new_id
from ebbmark_collector.store.tx import Row, Tx, Value, to_ms

_STATE: TypeAdapter[AlertState] = TypeAdapter(AlertState)
_TRANSITION: TypeAdapter[Transition] = TypeAdapter(Transition)


@lru_cache(maxsize=4096)
def _state_of(text: str) -> AlertState:
    # A drive's quiet alerts are read at every look and hardly ever change.
    return _STATE.validate_json(text)


def states_of(tx: Tx, subject_id: str) -> dict[Key, AlertState]:
    """Give the alerts of a subject that were ever raised or are on their way."""
    rows = tx.query("SELECT state_json FROM alerts WHERE subject_id = :id", {"id": subject_id})
    states = [_state_of(row["state_json"]) for row in rows]
    return {state.key: state for state in states}


def open_state(tx: Tx, subject_id: str, kind: ConditionKind) -> AlertState | None:
    """Give a subject's alert of a kind while it is up."""
    rows = tx.query(
        "SELECT state_json FROM alerts WHERE subject_id = :id AND condition = :kind AND is_open = 1",
        {"id": subject_id, "kind": kind.value},
    )
    return _state_of(rows[0]["state_json"]) if rows else None


def state(tx: Tx, alert_id: str) -> tuple[AlertState, Row] | None:
    """Give one alert as the lifecycle reads it, with its row."""
    rows = tx.query("SELECT * FROM alerts WHERE alert_id = :id", {"id": alert_id})
    return (_STATE.validate_json(rows[0]["state_json"]), rows[0]) if rows else None


def _columns(state: AlertState, host_id: str | None) -> dict[str, Value]:
    condition, acknowledged, shelf = state.condition, state.acknowledged, state.shelf
    return {
        "subject_id": state.key.subject_id,
        "host_id": host_id,
        "condition": state.key.condition,
        "phase": state.phase.value,
        "severity": state.severity.value,
        "severity_order": state.severity.order,
        "is_open": int(state.is_open),
        "is_pending": int(
            state.phase in {Phase.WAITING, Phase.LEAVING}
            or shelf is not None
            or state.calmer_since is not None
            or state.worse_since is not None
        ),
        "raised_ms": to_ms(state.raised_at) if state.raised_at else None,
        "changed_ms": to_ms(state.changed_at or state.phase_since),
        "cleared_ms": to_ms(state.cleared_at) if state.cleared_at else None,
        "cleared_because": state.cleared_because,
        "times_raised": state.times_raised,
        "acknowledged_by": acknowledged.by if acknowledged else None,
        "acknowledged_ms": to_ms(acknowledged.at) if acknowledged else None,
        "shelved_until_ms": to_ms(shelf.until) if shelf else None,
        "fresh": int(state.fresh),
        "headline": condition.headline,
        "cause": condition.cause,
        "next_step": condition.next_step,
        "act_by_ms": to_ms(condition.act_by) if condition.act_by else None,
        "state_json": _STATE.dump_json(state).decode(),
    }


def keep(
    tx: Tx,
    states: Sequence[AlertState],
    transitions: Sequence[Transition],
    *,
    now: datetime,
    drive_id: str | None,
    host_id: str | None,
) -> None:
    """Keep what a step of the lifecycle changed, with its history.

    Args:
        tx: The transaction.
        states: The states that changed.
        transitions: The lines to add.
        now: The instant.
        drive_id: The drive they are about; None for a host's own alerts.
        host_id: The host it is on, or the host itself.
    """
    ids: dict[Key, str] = {}
    for changed in states:
        ids[changed.key] = _keep_state(tx, changed, now, drive_id, host_id)
    for line in transitions:
        if line.key in ids:
            _keep_line(tx, ids[line.key], line)
    if states and drive_id is not None:
        _show_on_drive(tx, drive_id)


def _keep_state(tx: Tx, changed: AlertState, now: datetime, drive_id: str | None, host_id: str | None) -> str:
    columns = _columns(changed, host_id)
    known = tx.query(
        "SELECT alert_id FROM alerts WHERE subject_id = :subject_id AND condition = :condition",
        {"subject_id": columns["subject_id"], "condition": columns["condition"]},
    )
    if known:
        alert_id: str = known[0]["alert_id"]
        sets = ", ".join(f"{name} = :{name}" for name in columns)
        sql = f"UPDATE alerts SET {sets}, rev = rev + 1 WHERE alert_id = :alert_id"  # noqa: S608 -- names from code
        tx.run(sql, {**columns, "alert_id": alert_id})
        return alert_id
    alert_id = new_id(now)
    row = {**columns, "alert_id": alert_id, "drive_id": drive_id}
    tx.insert_many("alerts", tuple(row), [tuple(row.values())])
    return alert_id


def _keep_line(tx: Tx, alert_id: str, line: Transition) -> None:
    tx.run(
        """INSERT INTO alert_transitions (alert_id, number, at_ms, event, severity, done_by, why,
                                          transition_json, notify)
           SELECT :alert_id, 1 + COALESCE(MAX(number), 0), :at_ms, :event, :severity,
                  CAST(:done_by AS TEXT), CAST(:why AS TEXT), :transition_json, :notify
           FROM alert_transitions WHERE alert_id = :alert_id""",
        {
            "alert_id": alert_id,
            "at_ms": to_ms(line.at),
            "event": line.event.value,
            "severity": line.severity.value,
            "done_by": line.by,
            "why": line.why,
            "transition_json": _TRANSITION.dump_json(line).decode(),
            "notify": int(line.notify),
        },
    )


def _show_on_drive(tx: Tx, drive_id: str) -> None:
    # As filters, not as conditions: SQLite would go through all that are open instead of a drive's few.
    tx.run(
        """UPDATE drives SET
             open_alerts = (SELECT COUNT(*) FILTER (WHERE is_open = 1)
                            FROM alerts WHERE subject_id = :drive_id),
             worst_severity = (SELECT COALESCE(MAX(severity_order)
                                 FILTER (WHERE is_open = 1 AND shelved_until_ms IS NULL), 0)
                               FROM alerts WHERE subject_id = :drive_id)
           WHERE drive_id = :drive_id""",
        {"drive_id": drive_id},
    )


def history(tx: Tx, alert_id: str) -> list[Row]:
    """Give every line of an alert's history, oldest first."""
    return tx.query("SELECT * FROM alert_transitions WHERE alert_id = :id ORDER BY number", {"id": alert_id})


def to_tell(tx: Tx, *, limit: int = 500) -> list[tuple[str, int, Transition]]:
    """Give the lines somebody must still be told of, oldest first: alert, number, line."""
    rows = tx.query(
        """SELECT alert_id, number, transition_json FROM alert_transitions
           WHERE notify = 1 AND dispatched_ms IS NULL ORDER BY at_ms, alert_id, number LIMIT :limit""",
        {"limit": limit},
    )
    return [(r["alert_id"], r["number"], _TRANSITION.validate_json(r["transition_json"])) for r in rows]


def told(tx: Tx, lines: Sequence[tuple[str, int]], now_ms: int) -> None:
    """Note that the messages for these lines (alert, number) are in the outbox."""
    for alert_id, number in lines:
        tx.run(
            """UPDATE alert_transitions SET dispatched_ms = :now_ms
               WHERE alert_id = :alert_id AND number = :number""",
            {"now_ms": now_ms, "alert_id": alert_id, "number": number},
        )


def subjects_on_their_way(tx: Tx) -> list[str]:
    """Give the subjects with an alert whose delay or shelf is running."""
    rows = tx.query("SELECT DISTINCT subject_id FROM alerts WHERE is_pending = 1 ORDER BY subject_id")
    return [row["subject_id"] for row in rows]


def open_by_severity(tx: Tx) -> Mapping[str, int]:
    """Count the open alerts that are not shelved, by severity [1]."""
    rows = tx.query(
        """SELECT severity, COUNT(*) AS n FROM alerts WHERE is_open = 1 AND shelved_until_ms IS NULL
           GROUP BY severity"""
    )
    counted = {row["severity"]: row["n"] for row in rows}
    return {severity.value: counted.get(severity.value, 0) for severity in Severity}


def shelved(tx: Tx) -> int:
    """Count the open alerts on a shelf [1]."""
    rows = tx.query("SELECT COUNT(*) AS n FROM alerts WHERE is_open = 1 AND shelved_until_ms IS NOT NULL")
    return int(rows[0]["n"])
