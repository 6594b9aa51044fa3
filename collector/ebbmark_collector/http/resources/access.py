"""Who may do what: tokens, enrolment tokens, machines that wait, and the log of what was done."""

from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, Field, StringConstraints

from ebbmark_collector.errors import Conflict, NotFound
from ebbmark_collector.http import auditing, auth
from ebbmark_collector.http.operation import Call, In, Out, Reply, Routes, Scope
from ebbmark_collector.http.paging import list_page, page_model, query_model
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.store import Tx, access, lists, to_ms
from ebbmark_collector.store.listing import one

routes = Routes("access")
ShortText = Annotated[str, StringConstraints(min_length=1, max_length=128)]
_NO_STORE = {"Cache-Control": "no-store"}


class TokenListed(Out):
    """A token; its text is shown once, when it is made."""

    token_id: str
    scope: Literal["agent", "viewer", "admin"]
    label: str
    host_id: str | None
    created_at: datetime
    created_by: str
    expires_at: datetime | None
    revoked_at: datetime | None
    last_used_at: datetime | None


class TokenMade(TokenListed):
    """A new token with its text, shown this once."""

    token: str


class TokenBody(In):
    """A token for a person or a program. Agents get theirs by enrolment."""

    scope: Literal["viewer", "admin"]
    label: ShortText
    expires_at: AwareDatetime | None = None


TokenQuery = query_model(lists.TOKENS)
TokenPage = page_model(TokenListed)


@routes.add(
    "GET", "/v1/tokens", summary="Tokens", scopes=(Scope.ADMIN,), query=TokenQuery, answers={200: TokenPage}
)
def list_tokens(call: Call) -> Reply:
    """Give a page of tokens."""
    return list_page(call, lists.TOKENS, TokenListed, TokenPage)


def _token(tx: Tx, token_id: str) -> dict[str, Any]:
    columns = one(tx, lists.TOKENS, token_id)
    if columns is None:
        raise NotFound(f"There is no token {token_id}.")
    return columns


@routes.add(
    "POST",
    "/v1/tokens",
    summary="Make a token",
    scopes=(Scope.ADMIN,),
    body=TokenBody,
    answers={201: TokenMade},
    body_example={"scope": "viewer", "label": "wall display"},
)
def add_token(call: Call) -> Reply:
    """Make a token and show it once."""
    body = call.body_as(TokenBody)
    if body.expires_at is not None and body.expires_at <= call.now:
        raise HttpProblem(422, "A token ends in the future.", field="expires_at")

    def job(tx: Tx) -> TokenMade:
        token_id, text = auth.issue(
            tx,
            scope=Scope(body.scope),
            label=body.label,
            created_by=call.who,
            now=call.now,
            expires_at=body.expires_at,
        )
        auditing.note(tx, call, "token.add", token_id, body.model_dump())
        return TokenMade(**_token(tx, token_id), token=text)

    return Reply(body=call.store.write(job), status=201, headers=_NO_STORE)


@routes.add(
    "POST",
    "/v1/tokens/{token_id}/revoke",
    summary="Revoke a token",
    scopes=(Scope.ADMIN,),
    answers={200: TokenListed},
    action=True,
)
def revoke_token(call: Call) -> Reply:
    """Revoke a token at once."""

    def job(tx: Tx) -> TokenListed:
        _token(tx, call.path["token_id"])
        if access.revoke_token(tx, call.path["token_id"], to_ms(call.now)) == 0:
            raise Conflict("This token is revoked already.")
        auditing.note(tx, call, "token.revoke", call.path["token_id"])
        return TokenListed(**_token(tx, call.path["token_id"]))

    return Reply(body=call.store.write(job))


class EnrolTokenListed(Out):
    """A token by which machines become hosts."""

    token_id: str
    label: str
    quota: int
    used: int
    network: str | None
    approval_needed: bool
    created_at: datetime
    created_by: str
    expires_at: datetime
    revoked_at: datetime | None


class EnrolTokenMade(EnrolTokenListed):
    """A new enrolment token with its text, shown this once."""

    token: str


class EnrolTokenBody(In):
    """How many machines, how long, from where, and whether each waits for approval."""

    label: ShortText
    quota: Annotated[int, Field(ge=1, le=10_000)] = 1
    expires_at: AwareDatetime
    network: Annotated[str, StringConstraints(min_length=2, max_length=64)] | None = None
    approval_needed: bool = False


EnrolTokenQuery = query_model(lists.ENROL_TOKENS)
EnrolTokenPage = page_model(EnrolTokenListed)
_LONGEST = timedelta(days=90)


@routes.add(
    "GET",
    "/v1/enrol-tokens",
    summary="Enrolment tokens",
    scopes=(Scope.ADMIN,),
    query=EnrolTokenQuery,
    answers={200: EnrolTokenPage},
)
def list_enrol_tokens(call: Call) -> Reply:
    """Give a page of enrolment tokens."""
    return list_page(call, lists.ENROL_TOKENS, EnrolTokenListed, EnrolTokenPage)


@routes.add(
    "POST",
    "/v1/enrol-tokens",
    summary="Make an enrolment token",
    scopes=(Scope.ADMIN,),
    body=EnrolTokenBody,
    answers={201: EnrolTokenMade},
    body_example={
        "label": "editing floor",
        "quota": 40,
        "expires_at": "2030-01-02T20:00:00Z",
        "network": "10.20.0.0/16",
        "approval_needed": True,
    },
)
def add_enrol_token(call: Call) -> Reply:
    """Make an enrolment token and show it once."""
    body = call.body_as(EnrolTokenBody)
    if not call.now < body.expires_at <= call.now + _LONGEST:
        raise HttpProblem(
            422, f"An enrolment token ends in the future, within {_LONGEST.days} days.", field="expires_at"
        )

    def job(tx: Tx) -> EnrolTokenMade:
        token_id, text = auth.issue_enrol_token(
            tx,
            label=body.label,
            created_by=call.who,
            now=call.now,
            quota=body.quota,
            expires_at=body.expires_at,
            network=body.network,
            approval_needed=body.approval_needed,
        )
        auditing.note(tx, call, "enrol_token.add", token_id, body.model_dump())
        columns = one(tx, lists.ENROL_TOKENS, token_id)
        assert columns is not None
        return EnrolTokenMade(**columns, token=text)

    return Reply(body=call.store.write(job), status=201, headers=_NO_STORE)


@routes.add(
    "POST",
    "/v1/enrol-tokens/{token_id}/revoke",
    summary="Revoke an enrolment token",
    scopes=(Scope.ADMIN,),
    answers={200: EnrolTokenListed},
    action=True,
)
def revoke_enrol_token(call: Call) -> Reply:
    """Revoke an enrolment token; hosts it let in stay."""

    def job(tx: Tx) -> EnrolTokenListed:
        if one(tx, lists.ENROL_TOKENS, call.path["token_id"]) is None:
            raise NotFound(f"There is no enrolment token {call.path['token_id']}.")
        if access.revoke_enrol_token(tx, call.path["token_id"], to_ms(call.now)) == 0:
            raise Conflict("This enrolment token is revoked already.")
        auditing.note(tx, call, "enrol_token.revoke", call.path["token_id"])
        columns = one(tx, lists.ENROL_TOKENS, call.path["token_id"])
        assert columns is not None
        return EnrolTokenListed(**columns)

    return Reply(body=call.store.write(job))


class EnrolmentListed(Out):
    """A machine that asked to become a host, and what came of it."""

    enrolment_id: str
    token_id: str
    host_name: str
    system: str
    address: str
    state: Literal["pending", "approved", "enrolled", "refused"]
    asked_at: datetime
    decided_at: datetime | None
    decided_by: str | None
    host_id: str | None
    warning: str | None = Field(description="Told when one machine key was used twice.")


EnrolmentQuery = query_model(lists.ENROLMENTS)
EnrolmentPage = page_model(EnrolmentListed)


@routes.add(
    "GET",
    "/v1/enrolments",
    summary="Machines that asked to become hosts",
    scopes=(Scope.ADMIN,),
    query=EnrolmentQuery,
    answers={200: EnrolmentPage},
)
def list_enrolments(call: Call) -> Reply:
    """Give a page of enrolments."""
    return list_page(call, lists.ENROLMENTS, EnrolmentListed, EnrolmentPage)


def _decide(call: Call, state: str) -> Reply:
    def job(tx: Tx) -> EnrolmentListed:
        enrolment_id = call.path["enrolment_id"]
        row = access.enrolment_by_id(tx, enrolment_id)
        if row is None:
            raise NotFound(f"There is no enrolment {enrolment_id}.")
        if row["state"] != "pending":
            raise Conflict(f"This enrolment is {row['state']} already.")
        decided = {**row, "state": state, "decided_ms": to_ms(call.now), "decided_by": call.who}
        access.put_enrolment(tx, decided)
        auditing.note(tx, call, f"enrolment.{state}", enrolment_id, {"host_name": row["host_name"]})
        columns = one(tx, lists.ENROLMENTS, enrolment_id)
        assert columns is not None
        return EnrolmentListed(**columns)

    return Reply(body=call.store.write(job))


@routes.add(
    "POST",
    "/v1/enrolments/{enrolment_id}/approve",
    summary="Let a waiting machine in",
    scopes=(Scope.ADMIN,),
    answers={200: EnrolmentListed},
    action=True,
)
def approve_enrolment(call: Call) -> Reply:
    """Approve a machine; it is let in when it asks again."""
    return _decide(call, "approved")


@routes.add(
    "POST",
    "/v1/enrolments/{enrolment_id}/refuse",
    summary="Refuse a waiting machine",
    scopes=(Scope.ADMIN,),
    answers={200: EnrolmentListed},
    action=True,
)
def refuse_enrolment(call: Call) -> Reply:
    """Refuse a machine."""
    return _decide(call, "refused")


class AuditListed(Out):
    """One line of the audit log."""

    audit_id: str
    at: datetime
    who: str
    action: str
    subject: str
    detail: dict[str, Any]


AuditQuery = query_model(lists.AUDIT)
AuditPage = page_model(AuditListed)


@routes.add(
    "GET",
    "/v1/audit",
    summary="Who did what",
    scopes=(Scope.ADMIN,),
    query=AuditQuery,
    answers={200: AuditPage},
)
def list_audit(call: Call) -> Reply:
    """Give a page of the audit log."""
    return list_page(call, lists.AUDIT, AuditListed, AuditPage)
