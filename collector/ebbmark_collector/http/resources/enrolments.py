"""How a machine becomes a host: an enrolment token, a claim, and where asked for a person's approval."""

import ipaddress
from datetime import datetime
from typing import Annotated

from pydantic import Field, StringConstraints

from ebbmark_collector.http import auth
from ebbmark_collector.http.operation import Call, In, Out, Reply, Routes, Scope
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.store import Tx, access, hosts, to_ms
from ebbmark_collector.store.ids import new_id
from ebbmark_collector.store.tx import Row

routes = Routes("enrolments")
ShortText = Annotated[str, StringConstraints(min_length=1, max_length=256)]


class Claim(In):
    """A machine asks to become a host."""

    enrol_token: Annotated[str, StringConstraints(min_length=1, max_length=200)]
    host_name: ShortText
    system: ShortText
    machine_key: Annotated[
        str, StringConstraints(min_length=8, max_length=128, pattern=r"^[A-Za-z0-9_.:=+/-]+$")
    ] = Field(description="Made by the agent once, at random, and kept beside its token.")


class Claimed(Out):
    """The host this machine is from now on. The token is shown this once."""

    host_id: str
    agent_token: str
    expires_at: datetime
    warning: str | None = None


class Pending(Out):
    """A person must approve; ask again with the same claim."""

    enrolment_id: str
    state: str
    sentence: str


def _refuse() -> HttpProblem:
    # One sentence for every fault: a guesser must not learn which part was right.
    return HttpProblem(
        403,
        "This enrolment token is not good here: unknown, used up, expired, revoked or for another network. "
        "Ask an admin for another (`ebbmark-collector enrol-token`).",
        field="enrol_token",
    )


def _token_row(tx: Tx, call: Call, text: str) -> Row:
    token_id = auth.split(text)
    row = access.enrol_token(tx, token_id) if token_id else None
    if row is None or not auth.matches(row, text, call.now):
        raise _refuse()
    if row["network"] is not None:
        try:
            inside = ipaddress.ip_address(call.address) in ipaddress.ip_network(row["network"])
        except ValueError:
            inside = False
        if not inside:
            raise _refuse()
    return row


def _host_for(tx: Tx, claim: Claim, now: datetime) -> tuple[str, str | None]:
    """Give the host of a machine that is let in, and what is odd about it."""
    twins = hosts.hosts_with_machine_key(tx, claim.machine_key)
    same = next((row for row in twins if row["name"] == claim.host_name), None)
    if same is not None:
        access.revoke_host_tokens(tx, same["host_id"], to_ms(now))
        return same["host_id"], f"{claim.host_name} was enrolled before; its earlier token no longer works."
    host_id = new_id(now)
    hosts.add_host(
        tx,
        host_id=host_id,
        name=claim.host_name,
        system=claim.system,
        machine_key=claim.machine_key,
        now_ms=to_ms(now),
    )
    if twins:
        names = ", ".join(row["name"] for row in twins)
        return host_id, (
            f"{claim.host_name} carries the same machine key as {names}: one was cloned from the other. "
            "Remove the agent's key file on one of them and enrol it anew."
        )
    return host_id, None


def _admit(tx: Tx, claim: Claim, call: Call, enrolment: Row) -> Claimed:
    host_id, warning = _host_for(tx, claim, call.now)
    expires_at = call.now + auth.AGENT_TOKEN_LIFE
    _, text = auth.issue(
        tx,
        scope=Scope.AGENT,
        label=claim.host_name,
        created_by=f"enrolment {enrolment['enrolment_id']}",
        now=call.now,
        host_id=host_id,
        expires_at=expires_at,
    )
    access.put_enrolment(tx, {**enrolment, "state": "enrolled", "host_id": host_id, "warning": warning})
    return Claimed(host_id=host_id, agent_token=text, expires_at=expires_at, warning=warning)


def _decide(tx: Tx, call: Call, claim: Claim) -> Claimed | Pending:
    token = _token_row(tx, call, claim.enrol_token)
    row = access.enrolment(tx, token["token_id"], claim.machine_key, claim.host_name)
    if row is None:
        if not access.use_enrol_token(tx, token["token_id"]):
            raise _refuse()
        row = {
            "enrolment_id": new_id(call.now),
            "token_id": token["token_id"],
            "machine_key": claim.machine_key,
            "host_name": claim.host_name,
            "system": claim.system,
            "address": call.address,
            "state": "pending" if token["approval_needed"] else "approved",
            "asked_ms": to_ms(call.now),
            "decided_ms": None,
            "decided_by": None,
            "host_id": None,
            "warning": None,
        }
        access.put_enrolment(tx, row)
    if row["state"] == "refused":
        raise HttpProblem(403, f"An admin refused {claim.host_name}. Ask them why.")
    if row["state"] == "pending":
        return Pending(
            enrolment_id=row["enrolment_id"],
            state="pending",
            sentence=f"{claim.host_name} waits for an admin to approve it. Ask again with the same claim.",
        )
    return _admit(tx, claim, call, row)


@routes.add(
    "POST",
    "/v1/enrolments/claim",
    summary="Ask to become a host",
    scopes=(),
    body=Claim,
    answers={201: Claimed, 202: Pending},
    problems=(403,),
    description="The enrolment token in the body is the permission. A repeat of the same claim is harmless.",
    body_example={
        "enrol_token": "ebb_0123456789ab_secret",
        "host_name": "cutting-room-2",
        "system": "Linux 6.1",
        "machine_key": "mk-5f0c0d7e9a",
    },
)
def claim_enrolment(call: Call) -> Reply:
    """Let a machine in, or have it wait for approval."""
    claim = call.body_as(Claim)
    outcome = call.store.write(lambda tx: _decide(tx, call, claim))
    return Reply(
        body=outcome,
        status=201 if isinstance(outcome, Claimed) else 202,
        headers={"Cache-Control": "no-store"},
    )
