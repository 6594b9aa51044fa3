"""What people ask of agents and tell the collector: probe holds, probe orders, incidents."""

from datetime import datetime, timedelta
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, StringConstraints

from ebbmark_collector.errors import Conflict, NotFound
from ebbmark_collector.http import auditing
from ebbmark_collector.http.operation import Call, In, Out, Reply, Routes, Scope
from ebbmark_collector.http.paging import list_page, page_model, query_model
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.resources.drive_history import of_drive
from ebbmark_collector.http.resources.drives import row_of
from ebbmark_collector.intake.judging import look_at
from ebbmark_collector.intake.orders import applies_to
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.store import Row, Tx, drives, from_ms, hosts, lists, rules, to_ms
from ebbmark_collector.store.ids import new_id
from ebbmark_collector.store.listing import one

routes = Routes("asked")
Sentence = Annotated[str, StringConstraints(min_length=1, max_length=1000)]
ShortText = Annotated[str, StringConstraints(min_length=1, max_length=128)]
LONGEST_HOLD = timedelta(days=120)


class HoldListed(Out):
    """A span in which nothing probes."""

    hold_id: str
    host_pattern: str
    starts_at: datetime
    ends_at: datetime
    ended_early_at: datetime | None
    reason: str
    created_by: str
    created_at: datetime


class HoldReceipt(Out):
    """What one host said of a hold."""

    host_id: str
    host_name: str
    confirmed_at: datetime | None
    last_report_at: datetime | None


class HoldShown(HoldListed):
    """One hold with its receipt: which hosts confirmed it, and which were not reached."""

    hosts: int
    confirmed: int
    sentence: str
    receipts: list[HoldReceipt]


class HoldBody(In):
    """A hold. `host_pattern` is a shell pattern on host names; `*` is every host."""

    host_pattern: ShortText = "*"
    starts_at: AwareDatetime | None = Field(default=None, description="Now if left out.")
    ends_at: AwareDatetime
    reason: Sentence


HoldQuery = query_model(lists.HOLDS)
HoldPage = page_model(HoldListed)


@routes.add("GET", "/v1/holds", summary="Probe holds", query=HoldQuery, answers={200: HoldPage})
def list_holds(call: Call) -> Reply:
    """Give a page of holds."""
    return list_page(call, lists.HOLDS, HoldListed, HoldPage)


def _hold(tx: Tx, hold_id: str) -> HoldShown:
    columns = one(tx, lists.HOLDS, hold_id)
    row = rules.hold(tx, hold_id)
    if columns is None or row is None:
        raise NotFound(f"There is no hold {hold_id}. GET /v1/holds lists them.")
    confirmed = rules.receipts(tx, hold_id)
    reached = [host for host in hosts.all_hosts(tx) if applies_to(row, host["name"])]
    count = sum(1 for host in reached if host["host_id"] in confirmed)
    missing = len(reached) - count
    sentence = f"{count} of {len(reached)} hosts confirmed"
    sentence += f", {missing} not reached yet." if missing else "."
    return HoldShown(
        **columns,
        hosts=len(reached),
        confirmed=count,
        sentence=sentence,
        receipts=[_receipt(host, confirmed) for host in reached],
    )


def _receipt(host: Row, confirmed: dict[str, int]) -> HoldReceipt:
    at_ms = confirmed.get(host["host_id"])
    return HoldReceipt(
        host_id=host["host_id"],
        host_name=host["name"],
        confirmed_at=None if at_ms is None else from_ms(at_ms),
        last_report_at=None if host["last_report_ms"] is None else from_ms(host["last_report_ms"]),
    )


@routes.add("GET", "/v1/holds/{hold_id}", summary="One hold with its receipt", answers={200: HoldShown})
def get_hold(call: Call) -> Reply:
    """Give one hold."""
    return Reply(body=call.store.read(lambda tx: _hold(tx, call.path["hold_id"])))


@routes.add(
    "POST",
    "/v1/holds",
    summary="Hold all probes for a while",
    scopes=(Scope.ADMIN,),
    body=HoldBody,
    answers={201: HoldShown},
    action=True,
    body_example={"host_pattern": "studio-2-*", "ends_at": "2030-01-02T20:00:00Z", "reason": "live show"},
)
def add_hold(call: Call) -> Reply:
    """Add a hold; agents confirm it with their next sign of life."""
    body = call.body_as(HoldBody)
    starts_at = body.starts_at or call.now
    if body.ends_at <= max(starts_at, call.now):
        raise HttpProblem(422, "A hold ends after it begins, and in the future.", field="ends_at")
    if body.ends_at - starts_at > LONGEST_HOLD:
        raise HttpProblem(
            422, f"A hold lasts at most {LONGEST_HOLD.days} days; turn probing off instead.", field="ends_at"
        )

    def job(tx: Tx) -> HoldShown:
        hold_id = new_id(call.now)
        rules.put_hold(
            tx,
            {
                "hold_id": hold_id,
                "host_pattern": body.host_pattern,
                "starts_ms": to_ms(starts_at),
                "ends_ms": to_ms(body.ends_at),
                "reason": body.reason,
                "created_by": call.who,
                "created_ms": to_ms(call.now),
            },
        )
        auditing.note(tx, call, "hold.add", hold_id, body.model_dump())
        return _hold(tx, hold_id)

    shown = call.store.write(job)
    return Reply(body=shown, status=201, headers={"Location": f"/v1/holds/{shown.hold_id}"})


@routes.add(
    "POST",
    "/v1/holds/{hold_id}/end",
    summary="End a hold before its time",
    scopes=(Scope.ADMIN,),
    answers={200: HoldShown},
    action=True,
)
def end_hold(call: Call) -> Reply:
    """End a hold."""

    def job(tx: Tx) -> HoldShown:
        _hold(tx, call.path["hold_id"])
        if rules.end_hold(tx, call.path["hold_id"], to_ms(call.now)) == 0:
            raise Conflict("This hold is over already.")
        auditing.note(tx, call, "hold.end", call.path["hold_id"])
        return _hold(tx, call.path["hold_id"])

    return Reply(body=call.store.write(job))


class ProbeOrderListed(Out):
    """A probe asked for once."""

    order_id: str
    drive_id: str
    host_id: str | None
    kind: Literal["spot", "soak", "rehearsal", "copy", "read"]
    not_before: datetime
    ends_at: datetime
    max_bytes: int
    created_by: str
    created_at: datetime
    withdrawn_at: datetime | None
    done_at: datetime | None
    probe_id: str | None


class ProbeOrderBody(In):
    """Ask for one probe of a fixed drive. The agent still decides whether it may run."""

    drive_id: ShortText
    kind: Literal["spot", "soak", "rehearsal", "read"]
    not_before: AwareDatetime | None = Field(default=None, description="Now if left out.")
    ends_at: AwareDatetime
    max_bytes: Annotated[int, Field(ge=1, le=10**15)]


ProbeOrderQuery = query_model(lists.PROBE_ORDERS)
ProbeOrderPage = page_model(ProbeOrderListed)


@routes.add(
    "GET",
    "/v1/probe-orders",
    summary="Probes asked for",
    query=ProbeOrderQuery,
    answers={200: ProbeOrderPage},
)
def list_probe_orders(call: Call) -> Reply:
    """Give a page of probe orders."""
    return list_page(call, lists.PROBE_ORDERS, ProbeOrderListed, ProbeOrderPage)


def _order(tx: Tx, order_id: str) -> ProbeOrderListed:
    columns = one(tx, lists.PROBE_ORDERS, order_id)
    if columns is None:
        raise NotFound(f"There is no probe order {order_id}.")
    return ProbeOrderListed(**columns)


@routes.add(
    "POST",
    "/v1/probe-orders",
    summary="Ask for a soak or another probe of a drive",
    scopes=(Scope.ADMIN,),
    body=ProbeOrderBody,
    answers={201: ProbeOrderListed},
    action=True,
    description="Probes write and wear the drive; a soak fills it up to `max_bytes`.",
    body_example={
        "drive_id": "06h15wwpnvzt38vvrk59thr3as",
        "kind": "soak",
        "ends_at": "2030-01-09T06:00:00Z",
        "max_bytes": 200_000_000_000,
    },
)
def add_probe_order(call: Call) -> Reply:
    """Ask for a probe."""
    body = call.body_as(ProbeOrderBody)
    not_before = body.not_before or call.now
    if body.ends_at <= max(not_before, call.now):
        raise HttpProblem(422, "An order ends after it begins, and in the future.", field="ends_at")

    def job(tx: Tx) -> ProbeOrderListed:
        row = drives.drive(tx, body.drive_id)
        if row is None:
            raise HttpProblem(422, f"There is no drive {body.drive_id}.", field="drive_id")
        if row["removable"]:
            raise HttpProblem(
                422,
                "This is a removable medium: no order writes to it. Soak it by hand.",
                field="drive_id",
            )
        if row["retired_ms"] is not None:
            raise HttpProblem(422, "This drive is retired.", field="drive_id")
        order_id = new_id(call.now)
        rules.put_probe_order(
            tx,
            {
                "order_id": order_id,
                "drive_id": row["drive_id"],
                "kind": body.kind,
                "not_before_ms": to_ms(not_before),
                "ends_ms": to_ms(body.ends_at),
                "max_bytes": body.max_bytes,
                "created_by": call.who,
                "created_ms": to_ms(call.now),
            },
        )
        auditing.note(tx, call, "probe_order.add", order_id, body.model_dump())
        return _order(tx, order_id)

    shown = call.store.write(job)
    return Reply(body=shown, status=201, headers={"Location": f"/v1/probe-orders/{shown.order_id}"})


@routes.add(
    "GET", "/v1/probe-orders/{order_id}", summary="One probe asked for", answers={200: ProbeOrderListed}
)
def get_probe_order(call: Call) -> Reply:
    """Give one probe order."""
    return Reply(body=call.store.read(lambda tx: _order(tx, call.path["order_id"])))


@routes.add(
    "POST",
    "/v1/probe-orders/{order_id}/withdraw",
    summary="Withdraw a probe order",
    scopes=(Scope.ADMIN,),
    answers={200: ProbeOrderListed},
    action=True,
)
def withdraw_probe_order(call: Call) -> Reply:
    """Withdraw an order that is not yet done."""

    def job(tx: Tx) -> ProbeOrderListed:
        _order(tx, call.path["order_id"])
        if rules.withdraw_probe_order(tx, call.path["order_id"], to_ms(call.now)) == 0:
            raise Conflict("This order is done or withdrawn already.")
        auditing.note(tx, call, "probe_order.withdraw", call.path["order_id"])
        return _order(tx, call.path["order_id"])

    return Reply(body=call.store.write(job))


class IncidentListed(Out):
    """Frames a person saw lost: ground truth for the judge."""

    incident_id: str
    drive_id: str
    happened_at: datetime
    reported_at: datetime
    reported_by: str
    recorder: str | None
    recording_format: str | None
    sentence: str


class IncidentBody(In):
    """Report dropped frames. The drive is unfit until a later soak qualifies it again."""

    happened_at: AwareDatetime
    recorder: ShortText | None = None
    recording_format: ShortText | None = None
    sentence: Sentence


IncidentQuery = query_model(lists.INCIDENTS)
IncidentPage = page_model(IncidentListed)


@routes.add("GET", "/v1/incidents", summary="Incidents", query=IncidentQuery, answers={200: IncidentPage})
def list_incidents(call: Call) -> Reply:
    """Give a page of incidents."""
    return list_page(call, lists.INCIDENTS, IncidentListed, IncidentPage)


@routes.add(
    "GET",
    "/v1/drives/{drive_id}/incidents",
    summary="A drive's incidents",
    query=IncidentQuery,
    answers={200: IncidentPage},
)
def drive_incidents(call: Call) -> Reply:
    """Give a page of a drive's incidents."""
    return list_page(call, lists.INCIDENTS, IncidentListed, IncidentPage, fixed=of_drive(call))


@routes.add(
    "POST",
    "/v1/drives/{drive_id}/incidents",
    summary="Report dropped frames on a drive",
    scopes=(Scope.VIEWER, Scope.ADMIN),
    body=IncidentBody,
    answers={201: IncidentListed},
    action=True,
    body_example={
        "happened_at": "2026-01-02T15:04:00Z",
        "recorder": "B-camera recorder",
        "sentence": "dropped frames 40 minutes into the take",
    },
)
def add_incident(call: Call) -> Reply:
    """Store an incident and judge the drive anew."""
    body = call.body_as(IncidentBody)
    if body.happened_at > call.now + timedelta(minutes=5):
        raise HttpProblem(422, "An incident lies in the past.", field="happened_at")

    def job(tx: Tx) -> IncidentListed:
        row = row_of(tx, call.path["drive_id"])
        incident_id = new_id(call.now)
        rules.add_incident(
            tx,
            {
                "incident_id": incident_id,
                "drive_id": row["drive_id"],
                "happened_ms": min(to_ms(body.happened_at), to_ms(call.now)),
                "reported_ms": to_ms(call.now),
                "reported_by": call.principal.label if call.principal else "nobody",
                "recorder": body.recorder,
                "recording_format": body.recording_format,
                "sentence": body.sentence,
            },
        )
        auditing.note(tx, call, "incident.add", incident_id, body.model_dump())
        look_at(tx, row["drive_id"], rulebook(tx), call.now)
        columns = one(tx, lists.INCIDENTS, incident_id)
        assert columns is not None
        return IncidentListed(**columns)

    return Reply(body=call.store.write(job), status=201)
