"""Roles and recording formats."""

import json
from typing import Annotated, Any, Literal

from ebbmark_agent.evidence import DefinitionError, Formats, RecordingFormat, role_to_table
from pydantic import Field, StringConstraints, ValidationError

from ebbmark_collector.errors import Conflict, NotFound
from ebbmark_collector.http import auditing
from ebbmark_collector.http.operation import Call, In, Match, Out, Reply, Routes, Scope
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.replying import check_not_there, need_if_match, refuse_unmatched
from ebbmark_collector.intake.rulebook import (
    is_of_the_house,
    role_of,
    rulebook,
    shipped_roles,
    watch_document,
)
from ebbmark_collector.roles import DriveRole
from ebbmark_collector.store import Tx, drives, rules, to_ms
from ebbmark_collector.store.ids import new_id

routes = Routes("roles")
ShortText = Annotated[str, StringConstraints(min_length=1, max_length=128)]
RoleName = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=r"^[a-z0-9][a-z0-9.-]*$")]


class RoleShown(Out):
    """A role: what a drive is for, what that asks, and how its drives are watched."""

    name: str
    label: str
    kind: Literal["recorder", "working", "system"]
    origin: Literal["shipped", "house"]
    rate_bytes_per_s: float | None = Field(
        description="The streams' sum; null where no writing is asked for."
    )
    demand_bytes_per_s: float | None = Field(description="Rate times headroom.")
    buffer_bytes: float | None
    role: dict[str, Any] = Field(description="The keys of a role file.")
    watch: dict[str, Any]


class RoleList(Out):
    """Every role in force."""

    items: list[RoleShown]


class RoleBody(In):
    """A role as in a role file, and what it changes about how its drives are watched."""

    role: dict[str, Any]
    watch: dict[str, Any] = Field(default_factory=dict)


def _role(role: DriveRole, origin: str) -> RoleShown:
    demand = role.demand
    return RoleShown(
        name=role.name,
        label=role.role.label,
        kind=role.kind.value,
        origin="house" if origin == "house" else "shipped",
        rate_bytes_per_s=demand.rate_bytes_per_s if demand else None,
        demand_bytes_per_s=demand.demand_bytes_per_s if demand else None,
        buffer_bytes=demand.buffer_bytes if demand else None,
        role=role_to_table(role.role),
        watch=watch_document(role.watch),
    )


@routes.add("GET", "/v1/roles", summary="Roles in force", answers={200: RoleList})
def list_roles(call: Call) -> Reply:
    """Give every role."""

    def read(tx: Tx) -> list[RoleShown]:
        house = {row["name"] for row in rules.roles(tx)}
        return [
            _role(role, "house" if role.name in house else "shipped") for role in rulebook(tx).roles.values()
        ]

    return Reply(body=RoleList(items=call.store.read(read)))


def _one_role(tx: Tx, name: str) -> tuple[RoleShown, int]:
    role = rulebook(tx).role(name)
    if role is None:
        raise NotFound(f"There is no role {name}. GET /v1/roles lists them.")
    row = rules.role(tx, name)
    return _role(role, "house" if row else "shipped"), row["rev"] if row else 0


@routes.add("GET", "/v1/roles/{name}", summary="One role", answers={200: RoleShown})
def get_role(call: Call) -> Reply:
    """Give one role."""
    role, revision = call.store.read(lambda tx: _one_role(tx, call.path["name"]))
    return Reply(body=role, revision=revision)


def _read_role(body: RoleBody, name: str, formats: Formats) -> DriveRole:
    try:
        role = role_of({"role": {**body.role, "name": name}, "watch": body.watch}, formats)
    except DefinitionError as error:
        raise HttpProblem(422, str(error), field="role") from error
    except ValidationError as error:
        fault = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(("watch", *(str(part) for part in fault["loc"])))
        raise HttpProblem(422, f"{where}: {fault['msg']}", field=where) from error
    if body.role.get("name", name) != name:
        raise HttpProblem(422, "The name in the body is not the one in the address.", field="role.name")
    return role


def rules_changed(tx: Tx, call: Call) -> None:
    """Have every drive looked at again: a rule may now say something else of it."""
    rules.set_mark(tx, new_id(call.now))
    drives.look_at_all_again(tx)


def _check_put(call: Call, *, is_there: bool, revision: int) -> None:
    """Hold a role that is put against the one that is there, if one is."""
    if is_there:
        check_not_there(call.headers)
        need_if_match(call.headers, revision)
    else:
        refuse_unmatched(call.headers)


@routes.add(
    "PUT",
    "/v1/roles/{name}",
    summary="Add a role of the house, or replace one",
    scopes=(Scope.ADMIN,),
    body=RoleBody,
    answers={200: RoleShown},
    match=Match.NEEDED_ONCE_THERE,
    description="One of a shipped role's name takes its place. Drives are judged anew within a round.",
    body_example={
        "role": {
            "label": "Onboard recorder, 6K",
            "kind": "recorder",
            "streams": [{"format": "150MB/s"}],
            "headroom": 1.2,
            "buffer_s": 1.0,
        },
        "watch": {"horizon_days": 45},
    },
)
def put_role(call: Call) -> Reply:
    """Store a role."""
    name, body = call.path["name"].lower(), call.body_as(RoleBody)
    role = _read_role(body, name, call.store.read(lambda tx: rulebook(tx).formats))
    document = json.dumps({"role": {**body.role, "name": role.name}, "watch": body.watch})

    def job(tx: Tx) -> tuple[RoleShown, int]:
        row = rules.role(tx, name)
        _check_put(
            call, is_there=row is not None or name in shipped_roles(), revision=row["rev"] if row else 0
        )
        rules.put_role(tx, name=name, document=document, now_ms=to_ms(call.now))
        rules_changed(tx, call)
        auditing.note(tx, call, "role.put", name, json.loads(document))
        return _one_role(tx, name)

    shown, revision = call.store.write(job)
    return Reply(body=shown, revision=revision)


@routes.add(
    "DELETE",
    "/v1/roles/{name}",
    summary="Drop a role of the house",
    scopes=(Scope.ADMIN,),
    answers={204: None},
    match=Match.NEEDED,
)
def delete_role(call: Call) -> Reply:
    """Drop a stored role, unless a rule still hands it out."""
    name = call.path["name"]

    def job(tx: Tx) -> None:
        row = rules.role(tx, name)
        if row is None:
            sentence = f"{name} ships with the collector; it can be replaced (PUT) but not dropped."
            if name not in shipped_roles():
                raise NotFound(f"There is no role {name} of the house.")
            raise Conflict(sentence)
        need_if_match(call.headers, row["rev"])
        used = [rule_id for rule_id, rule in rulebook(tx).assignments if rule.role_name == name]
        if used and name not in shipped_roles():
            raise Conflict(f"{len(used)} assignment rules hand out {name}; change them first.")
        rules.drop_role(tx, name)
        rules_changed(tx, call)
        auditing.note(tx, call, "role.drop", name)

    call.store.write(job)
    return Reply(status=204)


class FormatShown(Out):
    """A recording format."""

    name: str
    label: str
    origin: Literal["shipped", "house"]
    mean_bytes_per_s: float
    peak_bytes_per_s: float | None
    source: str


class FormatList(Out):
    """Every recording format known."""

    items: list[FormatShown]


def _format(one: RecordingFormat) -> FormatShown:
    return FormatShown(
        name=one.name,
        label=one.label,
        origin="house" if is_of_the_house(one) else "shipped",
        mean_bytes_per_s=one.mean_bytes_per_s,
        peak_bytes_per_s=one.peak_bytes_per_s,
        source=one.source,
    )


@routes.add("GET", "/v1/formats", summary="Recording formats", answers={200: FormatList})
def list_formats(call: Call) -> Reply:
    """Give every recording format."""
    formats = call.store.read(lambda tx: rulebook(tx).formats)
    return Reply(body=FormatList(items=[_format(each) for each in formats]))
