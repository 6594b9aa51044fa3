"""Alerts: what is open, worst first; one with its history; and what a person does about it."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, StringConstraints

from ebbmark_collector.alerts import Stepped, acknowledge, shelve, unshelve
from ebbmark_collector.alerts.vocabulary import AlertState
from ebbmark_collector.errors import NotFound
from ebbmark_collector.http import auditing
from ebbmark_collector.http.operation import Call, In, Match, Out, Reply, Routes, Scope
from ebbmark_collector.http.paging import list_page, page_model, query_model
from ebbmark_collector.http.replying import check_if_match
from ebbmark_collector.store import Row, Tx, alerting, from_ms, lists
from ebbmark_collector.store.listing import one

routes = Routes("alerts")
Severity = Literal["warning", "minor", "major", "critical"]
Note = Annotated[str, StringConstraints(max_length=1000)]


class AlertListed(Out):
    """An alert: a state of one subject and one condition, not a message."""

    alert_id: str
    condition: str
    severity: Severity
    severity_order: int = Field(description="3 for warning to 6 for critical, as in RFC 8632.")
    open: bool
    headline: str
    cause: str | None
    next_step: str
    act_by: datetime | None
    drive_id: str | None
    host_id: str | None
    host_name: str | None
    asset_tag: str | None
    role: str | None
    kit: str | None
    raised_at: datetime | None
    changed_at: datetime
    cleared_at: datetime | None
    cleared_because: str | None
    times_raised: int
    fresh: bool = Field(
        description="False while its drive is out of reach: it stays, without fresh evidence."
    )
    acknowledged_by: str | None
    acknowledged_at: datetime | None
    shelved_until: datetime | None


class AlertLine(Out):
    """One line of an alert's history."""

    number: int
    at: datetime
    event: str
    severity: Severity
    done_by: str | None
    why: str | None


class AlertShown(AlertListed):
    """One alert with the evidence behind it and its history."""

    why: list[str] = Field(description="The evidence, a sentence each.")
    value: float | None
    limit: float | None
    unit: str | None
    history: list[AlertLine]


AlertQuery = query_model(lists.ALERTS)
AlertPage = page_model(AlertListed)


@routes.add("GET", "/v1/alerts", summary="Alerts, worst first", query=AlertQuery, answers={200: AlertPage})
def list_alerts(call: Call) -> Reply:
    """Give a page of alerts."""
    return list_page(call, lists.ALERTS, AlertListed, AlertPage)


def _known(tx: Tx, alert_id: str) -> tuple[AlertState, Row]:
    found = alerting.state(tx, alert_id)
    if found is None:
        raise NotFound(f"There is no alert {alert_id}. GET /v1/alerts lists them.")
    return found


def _shown(tx: Tx, alert_id: str) -> tuple[AlertShown, int]:
    state, row = _known(tx, alert_id)
    columns = one(tx, lists.ALERTS, alert_id)
    if columns is None:
        raise NotFound(f"Alert {alert_id} was never raised.")
    condition = state.condition
    lines = [
        AlertLine(
            number=line["number"],
            at=from_ms(line["at_ms"]),
            event=line["event"],
            severity=line["severity"],
            done_by=line["done_by"],
            why=line["why"],
        )
        for line in alerting.history(tx, alert_id)
    ]
    alert = AlertShown(
        **columns,
        why=list(condition.why),
        value=condition.value,
        limit=condition.limit,
        unit=condition.unit,
        history=lines,
    )
    return alert, row["rev"]


@routes.add("GET", "/v1/alerts/{alert_id}", summary="One alert with its history", answers={200: AlertShown})
def get_alert(call: Call) -> Reply:
    """Give one alert."""
    alert, revision = call.store.read(lambda tx: _shown(tx, call.path["alert_id"]))
    return Reply(body=alert, revision=revision)


class Acknowledge(In):
    """Somebody has seen it."""

    note: Note = ""


class Shelve(In):
    """Set aside until an instant; it lives on and tells nobody."""

    until: AwareDatetime
    note: Note = ""


class Unshelve(In):
    """Take it back from its shelf."""

    note: Note = ""


def _by(call: Call) -> str:
    return call.principal.label if call.principal else ""


def _act(call: Call, action: str, deed: Callable[[AlertState], Stepped], detail: dict[str, object]) -> Reply:
    def job(tx: Tx) -> tuple[AlertShown, int]:
        state, row = _known(tx, call.path["alert_id"])
        check_if_match(call.headers, row["rev"])
        stepped = deed(state)
        alerting.keep(
            tx,
            stepped.states,
            stepped.transitions,
            now=call.now,
            drive_id=row["drive_id"],
            host_id=row["host_id"],
        )
        auditing.note(tx, call, action, row["alert_id"], detail)
        return _shown(tx, row["alert_id"])

    alert, revision = call.store.write(job)
    return Reply(body=alert, revision=revision)


@routes.add(
    "POST",
    "/v1/alerts/{alert_id}/acknowledge",
    summary="Say that somebody has seen an alert",
    scopes=(Scope.ADMIN,),
    body=Acknowledge,
    answers={200: AlertShown},
    action=True,
    match=Match.OFFERED,
    body_example={"note": "spare is on its way"},
)
def acknowledge_alert(call: Call) -> Reply:
    """Acknowledge an open alert."""
    note = call.body_as(Acknowledge).note
    return _act(
        call,
        "alert.acknowledge",
        lambda state: acknowledge(state, by=_by(call), note=note, now=call.now),
        {"note": note},
    )


@routes.add(
    "POST",
    "/v1/alerts/{alert_id}/shelve",
    summary="Set an alert aside until an instant",
    scopes=(Scope.ADMIN,),
    body=Shelve,
    answers={200: AlertShown},
    action=True,
    match=Match.OFFERED,
    body_example={"until": "2030-01-02T08:00:00Z", "note": "on a show"},
)
def shelve_alert(call: Call) -> Reply:
    """Shelve an alert."""
    asked = call.body_as(Shelve)
    return _act(
        call,
        "alert.shelve",
        lambda state: shelve(state, by=_by(call), until=asked.until, note=asked.note, now=call.now),
        {"note": asked.note, "until": asked.until},
    )


@routes.add(
    "POST",
    "/v1/alerts/{alert_id}/unshelve",
    summary="Take an alert back from its shelf",
    scopes=(Scope.ADMIN,),
    body=Unshelve,
    answers={200: AlertShown},
    action=True,
    match=Match.OFFERED,
    body_example={},
)
def unshelve_alert(call: Call) -> Reply:
    """Take an alert back from its shelf."""
    note = call.body_as(Unshelve).note
    return _act(
        call,
        "alert.unshelve",
        lambda state: unshelve(state, by=_by(call), note=note, now=call.now),
        {"note": note},
    )
