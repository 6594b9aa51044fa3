"""Hosts: the machines with an agent, what is asked of them, and the orders an agent fetches."""

import json
from datetime import datetime
from typing import Annotated, Any, Literal

from ebbmark_agent.report import Orders, ProbeHours
from pydantic import Field, StringConstraints

from ebbmark_collector.errors import Forbidden, NotFound
from ebbmark_collector.http import auditing, auth
from ebbmark_collector.http.operation import Call, In, Match, Out, Reply, Routes, Scope, merge
from ebbmark_collector.http.paging import list_page, page_model, query_model
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.replying import need_if_match
from ebbmark_collector.intake.orders import orders_for
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.store import Row, Tx, access, hosts, lists, to_ms
from ebbmark_collector.store.listing import one

routes = Routes("hosts")
LongText = Annotated[str, StringConstraints(min_length=1, max_length=4000)]


class HostListed(Out):
    """A machine with an agent."""

    host_id: str
    name: str
    system: str
    state: Literal["enrolled", "retired"]
    presence: Literal["fixed", "comes_and_goes", "on_loan"]
    agent_version: str | None
    enrolled_at: datetime
    last_report_at: datetime | None
    clock_offset_s: float | None
    writes_allowed: bool = Field(description="Whether the machine's owner lets probes write.")
    probing_enabled: bool = Field(description="Whether an admin turned automatic probing on.")
    show: bool = Field(description="On a show: out of contact, this host stays quiet.")
    on_air: bool
    drives: int
    notes: str | None


class HostShown(HostListed):
    """One host with what it last said of itself."""

    probe_hours: list[dict[str, Any]]
    status: dict[str, Any] | None
    remarks: list[str]


class HostEdit(In):
    """What an admin may set; leave out what stays."""

    probing_enabled: bool | None = None
    show: bool | None = None
    presence: Literal["fixed", "comes_and_goes", "on_loan"] | None = None
    probe_hours: list[ProbeHours] | None = Field(default=None, max_length=14)
    notes: LongText | None = None


HostQuery = query_model(lists.HOSTS)
HostPage = page_model(HostListed)


@routes.add("GET", "/v1/hosts", summary="Hosts", query=HostQuery, answers={200: HostPage})
def list_hosts(call: Call) -> Reply:
    """Give a page of hosts."""
    return list_page(call, lists.HOSTS, HostListed, HostPage)


def _row(tx: Tx, host_id: str) -> Row:
    row = hosts.host(tx, host_id)
    if row is None:
        raise NotFound(f"There is no host {host_id}. GET /v1/hosts lists them.")
    return row


def _shown(tx: Tx, host_id: str) -> tuple[HostShown, int]:
    row = _row(tx, host_id)
    columns = one(tx, lists.HOSTS, host_id)
    assert columns is not None
    status = json.loads(row["status_json"]) if row["status_json"] else None
    inventory = json.loads(row["inventory_json"]) if row["inventory_json"] else {}
    host = HostShown(
        **columns,
        probe_hours=json.loads(row["probe_hours_json"]),
        status=status,
        remarks=[*inventory.get("remarks", []), *json.loads(row["warned_json"])],
    )
    return host, row["rev"]


@routes.add("GET", "/v1/hosts/{host_id}", summary="One host", answers={200: HostShown})
def get_host(call: Call) -> Reply:
    """Give one host."""
    host, revision = call.store.read(lambda tx: _shown(tx, call.path["host_id"]))
    return Reply(body=host, revision=revision)


@routes.add(
    "PATCH",
    "/v1/hosts/{host_id}",
    summary="Turn probing on, set probe hours, mark a show",
    scopes=(Scope.ADMIN,),
    body=HostEdit,
    answers={200: HostShown},
    match=Match.NEEDED,
    body_example={
        "probing_enabled": True,
        "probe_hours": [{"from_minute": 60, "until_minute": 300, "weekdays": [0, 1, 2, 3, 4]}],
    },
)
def patch_host(call: Call) -> Reply:
    """Change what is asked of a host; its agent hears of it with its next orders."""
    sent = merge(call.body_as(HostEdit))
    for name in ("probing_enabled", "show", "presence", "probe_hours"):
        if name in sent and sent[name] is None:
            raise HttpProblem(422, f"{name} cannot be empty.", field=name)
    detail = dict(sent)
    if "probe_hours" in sent:
        detail["probe_hours"] = [hours.model_dump() for hours in sent["probe_hours"]]

    def job(tx: Tx) -> tuple[HostShown, int]:
        row = _row(tx, call.path["host_id"])
        need_if_match(call.headers, row["rev"])
        columns = {"show_mode" if name == "show" else name: value for name, value in detail.items()}
        if "probe_hours" in columns:
            columns["probe_hours_json"] = json.dumps(columns.pop("probe_hours"))
        columns = {name: int(value) if isinstance(value, bool) else value for name, value in columns.items()}
        hosts.update_host(tx, row["host_id"], columns)
        auditing.note(tx, call, "host.edit", row["host_id"], detail)
        return _shown(tx, row["host_id"])

    host, revision = call.store.write(job)
    return Reply(body=host, revision=revision)


@routes.add(
    "POST",
    "/v1/hosts/{host_id}/retire",
    summary="Take a host out of service and end its tokens",
    scopes=(Scope.ADMIN,),
    answers={200: HostShown},
    action=True,
)
def retire_host(call: Call) -> Reply:
    """Retire a host; its drives and their history stay."""

    def job(tx: Tx) -> tuple[HostShown, int]:
        row = _row(tx, call.path["host_id"])
        hosts.update_host(tx, row["host_id"], {"state": "retired"})
        access.revoke_host_tokens(tx, row["host_id"], to_ms(call.now))
        auditing.note(tx, call, "host.retire", row["host_id"])
        return _shown(tx, row["host_id"])

    host, revision = call.store.write(job)
    return Reply(body=host, revision=revision)


def _own_host(call: Call) -> str:
    host_id = call.path["host_id"]
    if (
        call.principal is not None
        and call.principal.scope is Scope.AGENT
        and call.principal.host_id != host_id
    ):
        raise Forbidden("This token speaks for another host.")
    return host_id


@routes.add(
    "GET",
    "/v1/hosts/{host_id}/orders",
    summary="What is in force for a host",
    scopes=(Scope.AGENT, Scope.VIEWER, Scope.ADMIN),
    answers={200: Orders},
    description="An agent reads its own. They ask for less than the machine's owner allows, never for more.",
)
def get_orders(call: Call) -> Reply:
    """Give a host's orders."""
    host_id = _own_host(call)
    return Reply(body=call.store.read(lambda tx: orders_for(tx, _row(tx, host_id), rulebook(tx), call.now)))


class Renewed(Out):
    """A fresh token, shown this once; the one used for asking is good for another hour."""

    agent_token: str
    expires_at: datetime


@routes.add(
    "POST",
    "/v1/hosts/{host_id}/token",
    summary="Have a fresh agent token before the old one ends",
    scopes=(Scope.AGENT,),
    answers={201: Renewed},
)
def renew_token(call: Call) -> Reply:
    """Give an agent a fresh token for its own host."""
    host_id = _own_host(call)
    assert call.principal is not None
    principal = call.principal
    expires_at = call.now + auth.AGENT_TOKEN_LIFE

    def job(tx: Tx) -> str:
        _, text = auth.issue(
            tx,
            scope=Scope.AGENT,
            label=principal.label,
            created_by=principal.who,
            now=call.now,
            host_id=host_id,
            expires_at=expires_at,
        )
        access.expire_token(tx, principal.token_id, to_ms(call.now) + 3_600_000)
        return text

    return Reply(
        body=Renewed(agent_token=call.store.write(job), expires_at=expires_at),
        status=201,
        headers={"Cache-Control": "no-store"},
    )
