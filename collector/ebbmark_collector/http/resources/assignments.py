"""Assignments: the rules that hand a role to a drive, with a trial of other rules."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from ebbmark_collector.errors import NotFound
from ebbmark_collector.http import auditing
from ebbmark_collector.http.operation import Call, In, Match, Out, Reply, Routes, Scope
from ebbmark_collector.http.paging import list_page, page_model, query_model
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.replying import need_if_match
from ebbmark_collector.http.resources.roles import RoleName, ShortText, rules_changed
from ebbmark_collector.intake.rulebook import (
    Rulebook,
    candidate_of,
    rulebook,
)
from ebbmark_collector.roles import AssignmentRule, MatchedBy, assigned_by
from ebbmark_collector.store import Tx, drives, lists, rules, to_ms
from ebbmark_collector.store.ids import new_id
from ebbmark_collector.store.listing import one

routes = Routes("roles")


class AssignmentShown(Out):
    """A rule that hands a role to each drive whose serial, asset tag, mount, model or host matches."""

    assignment_id: str
    place_in_order: int
    matched_by: Literal["serial", "asset_tag", "mount", "model", "host"]
    pattern: str
    role: str
    note: str | None
    created_at: datetime
    rev: int


class AssignmentBody(In):
    """A rule. `pattern` is a shell pattern, whatever the case. A mount says nothing of removable media."""

    matched_by: Literal["serial", "asset_tag", "mount", "model", "host"]
    pattern: Annotated[str, StringConstraints(min_length=1, max_length=256)]
    role: RoleName
    place_in_order: Annotated[int, Field(ge=0, le=1_000_000)] = 100
    note: Annotated[str, StringConstraints(max_length=1000)] | None = None


AssignmentQuery = query_model(lists.ASSIGNMENTS)
AssignmentPage = page_model(AssignmentShown)
_EXAMPLE = {"matched_by": "asset_tag", "pattern": "SSD-*", "role": "field-recorder"}


@routes.add(
    "GET", "/v1/assignments", summary="Assignment rules", query=AssignmentQuery, answers={200: AssignmentPage}
)
def list_assignments(call: Call) -> Reply:
    """Give the rules in their order."""
    return list_page(call, lists.ASSIGNMENTS, AssignmentShown, AssignmentPage)


def _assignment(tx: Tx, assignment_id: str) -> AssignmentShown:
    columns = one(tx, lists.ASSIGNMENTS, assignment_id)
    if columns is None:
        raise NotFound(f"There is no assignment rule {assignment_id}.")
    return AssignmentShown(**columns)


def _put_assignment(
    call: Call, tx: Tx, assignment_id: str, body: AssignmentBody, rev: int
) -> AssignmentShown:
    if rulebook(tx).role(body.role) is None:
        raise HttpProblem(422, f"There is no role {body.role}. GET /v1/roles lists them.", field="role")
    rules.put_assignment(
        tx,
        {
            "assignment_id": assignment_id,
            "place_in_order": body.place_in_order,
            "matched_by": body.matched_by,
            "pattern": body.pattern,
            "role": body.role,
            "note": body.note,
            "created_ms": to_ms(call.now),
            "rev": rev,
        },
    )
    rules_changed(tx, call)
    auditing.note(tx, call, "assignment.put", assignment_id, body.model_dump())
    return _assignment(tx, assignment_id)


@routes.add(
    "POST",
    "/v1/assignments",
    summary="Add an assignment rule",
    scopes=(Scope.ADMIN,),
    body=AssignmentBody,
    answers={201: AssignmentShown},
    action=True,
    body_example=_EXAMPLE,
)
def add_assignment(call: Call) -> Reply:
    """Add a rule."""
    body, assignment_id = call.body_as(AssignmentBody), new_id(call.now)
    shown = call.store.write(lambda tx: _put_assignment(call, tx, assignment_id, body, 1))
    return Reply(
        body=shown, status=201, revision=1, headers={"Location": f"/v1/assignments/{shown.assignment_id}"}
    )


@routes.add(
    "GET", "/v1/assignments/{assignment_id}", summary="One assignment rule", answers={200: AssignmentShown}
)
def get_assignment(call: Call) -> Reply:
    """Give one rule."""
    shown = call.store.read(lambda tx: _assignment(tx, call.path["assignment_id"]))
    return Reply(body=shown, revision=shown.rev)


@routes.add(
    "PUT",
    "/v1/assignments/{assignment_id}",
    summary="Replace an assignment rule",
    scopes=(Scope.ADMIN,),
    body=AssignmentBody,
    answers={200: AssignmentShown},
    match=Match.NEEDED,
    body_example=_EXAMPLE,
)
def put_assignment(call: Call) -> Reply:
    """Replace a rule."""
    body = call.body_as(AssignmentBody)

    def job(tx: Tx) -> AssignmentShown:
        known = _assignment(tx, call.path["assignment_id"])
        need_if_match(call.headers, known.rev)
        return _put_assignment(call, tx, known.assignment_id, body, known.rev + 1)

    shown = call.store.write(job)
    return Reply(body=shown, revision=shown.rev)


@routes.add(
    "DELETE",
    "/v1/assignments/{assignment_id}",
    summary="Drop an assignment rule",
    scopes=(Scope.ADMIN,),
    answers={204: None},
    match=Match.NEEDED,
)
def delete_assignment(call: Call) -> Reply:
    """Drop a rule."""

    def job(tx: Tx) -> None:
        known = _assignment(tx, call.path["assignment_id"])
        need_if_match(call.headers, known.rev)
        rules.drop_assignment(tx, known.assignment_id)
        rules_changed(tx, call)
        auditing.note(tx, call, "assignment.drop", known.assignment_id)

    call.store.write(job)
    return Reply(status=204)


class Trial(In):
    """Rules to try beside those in force, and rules to try without."""

    add: list[AssignmentBody] = Field(default_factory=list, max_length=100)
    without: list[ShortText] = Field(default_factory=list, max_length=100, description="Ids of rules.")


class TrialChange(Out):
    """A drive that would have another role."""

    drive_id: str
    label: str | None
    asset_tag: str | None
    model: str | None
    host_name: str | None
    role_now: str | None
    role_then: str | None


class TrialResult(Out):
    """What would change; nothing has."""

    drives_looked_at: int
    changes: list[TrialChange]


def _tried(book: Rulebook, trial: Trial) -> list[AssignmentRule]:
    kept = [rule for rule_id, rule in book.assignments if rule_id not in set(trial.without)]
    added = [
        AssignmentRule(matched_by=MatchedBy(body.matched_by), pattern=body.pattern, role_name=body.role)
        for body in sorted(trial.add, key=lambda body: body.place_in_order)
    ]
    return [*added, *kept]


@routes.add(
    "POST",
    "/v1/assignments/trial",
    summary="See which drives other rules would give another role",
    scopes=(Scope.VIEWER, Scope.ADMIN),
    body=Trial,
    answers={200: TrialResult},
    body_example={"add": [_EXAMPLE]},
)
def try_assignments(call: Call) -> Reply:
    """Try rules without changing anything."""
    trial = call.body_as(Trial)

    def read(tx: Tx) -> TrialResult:
        book = rulebook(tx)
        tried = _tried(book, trial)
        looked_at, changes = 0, []
        for row in drives.all_in_service(tx):
            looked_at += 1
            rule = assigned_by(tried, candidate_of(row, row["host_name"]))
            then = rule.role_name if rule is not None and rule.role_name in book.roles else None
            if then != row["role"]:
                changes.append(
                    TrialChange(
                        drive_id=row["drive_id"],
                        label=row["label"],
                        asset_tag=row["asset_tag"],
                        model=row["model"],
                        host_name=row["host_name"],
                        role_now=row["role"],
                        role_then=then,
                    )
                )
        return TrialResult(drives_looked_at=looked_at, changes=changes[:1000])

    return Reply(body=call.store.read(read))
