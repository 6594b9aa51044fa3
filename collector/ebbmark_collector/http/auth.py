"""Who calls: bearer tokens, their scopes, and how often wrong ones may be tried.

1. A token is `ebb_<id>_<secret>`: the id is public, the secret has 256 random bits.
2. Only its SHA-256 is kept. A guess cannot be helped by the hash, so a slow hash would only help an attacker
   keep the collector busy.
3. An unknown, revoked, expired or wrong token is told in the same words.

Source: RFC 6750, The OAuth 2.0 Authorization Framework: Bearer Token Usage, section 3.
"""

import hashlib
import hmac
import ipaddress
import secrets
from datetime import datetime, timedelta

from ebbmark_collector.errors import DocumentError
from ebbmark_collector.http.operation import Operation, Principal, Scope
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.tokens import TokensSeen
from ebbmark_collector.store import Tx, access, to_ms
from ebbmark_collector.store.tx import Row

_LAST_USE_EVERY_MS = 300_000  # [ms] last use is told to five minutes; a write a request would cost more
AGENT_TOKEN_LIFE = timedelta(days=400)
_NO_TOKEN = "Send `Authorization: Bearer <token>`; an admin makes tokens with `ebbmark-collector token`."  # noqa: S105
_WRONG = "This token is not known here, has expired or was revoked. Ask an admin for another."


def make_secret(token_id: str) -> tuple[str, bytes]:
    """Make a token's text, shown once, and the hash that is kept."""
    text = f"ebb_{token_id}_{secrets.token_urlsafe(32)}"
    return text, hash_of(text)


def hash_of(text: str) -> bytes:
    """Give the hash a token is kept by."""
    return hashlib.sha256(text.encode()).digest()


def new_token_id() -> str:
    """Make a token's public id."""
    return secrets.token_hex(6)


def split(text: str) -> str | None:
    """Give the public id in a token's text, or None if it has not the form of one."""
    parts = text.split("_", 2)
    well_formed = len(parts) == 3 and parts[0] == "ebb" and parts[1].isalnum() and parts[1].isascii()
    return parts[1] if well_formed and len(text) <= 200 else None


def matches(row: Row | None, text: str, now: datetime) -> bool:
    """Tell whether a kept token is in force and this is its text."""
    if row is None:
        return False
    same = hmac.compare_digest(bytes(row["hash"]), hash_of(text))
    alive = row["revoked_ms"] is None and (row["expires_ms"] is None or row["expires_ms"] > to_ms(now))
    return same and alive


def _unauthenticated(sentence: str, *, error: str | None = None) -> HttpProblem:
    challenge = 'Bearer realm="ebbmark"' + (f', error="{error}"' if error else "")
    return HttpProblem(401, sentence, headers={"WWW-Authenticate": challenge})


def who_calls(tokens: TokensSeen, header: str | None, now: datetime, *, busy: bool) -> Principal:
    """Give the principal an Authorization header shows.

    Args:
        tokens: The tokens that are known.
        header: The header, or None.
        now: The instant.
        busy: Whether requests wait for this one, so that noting the use of a token can wait in turn.

    Raises:
        HttpProblem: 401.
    """
    if not header:
        raise _unauthenticated(_NO_TOKEN)
    kind, _, text = header.partition(" ")
    text = text.strip()
    if kind.lower() != "bearer" or not text:
        raise _unauthenticated(_NO_TOKEN, error="invalid_request")
    token_id = split(text)
    row = tokens.row(token_id) if token_id else None
    if row is None or not matches(row, text, now):
        raise _unauthenticated(_WRONG, error="invalid_token")
    now_ms = to_ms(now)
    if row["last_used_ms"] is None or row["last_used_ms"] + _LAST_USE_EVERY_MS < now_ms:
        tokens.used(row["token_id"], now_ms, busy=busy)
    return Principal(
        token_id=row["token_id"], scope=Scope(row["scope"]), label=row["label"], host_id=row["host_id"]
    )


def check_scope(operation: Operation, principal: Principal) -> None:
    """Refuse a token that is not for this.

    Raises:
        HttpProblem: 403.
    """
    if principal.scope not in operation.scopes:
        needed = " or ".join(sorted(operation.scopes))
        raise HttpProblem(
            403,
            f"This is for {needed} tokens; yours is for {principal.scope}.",
            headers={"WWW-Authenticate": 'Bearer realm="ebbmark", error="insufficient_scope"'},
        )


def issue(
    tx: Tx,
    *,
    scope: Scope,
    label: str,
    created_by: str,
    now: datetime,
    host_id: str | None = None,
    expires_at: datetime | None = None,
) -> tuple[str, str]:
    """Make a token; its text is given this once.

    Returns:
        The token's id and its text.
    """
    token_id = new_token_id()
    text, digest = make_secret(token_id)
    access.add_token(
        tx,
        token_id=token_id,
        scope=scope.value,
        secret_hash=digest,
        label=label,
        created_by=created_by,
        now_ms=to_ms(now),
        host_id=host_id,
        expires_ms=to_ms(expires_at) if expires_at else None,
    )
    return token_id, text


def issue_enrol_token(
    tx: Tx,
    *,
    label: str,
    created_by: str,
    now: datetime,
    quota: int,
    expires_at: datetime,
    network: str | None = None,
    approval_needed: bool = False,
) -> tuple[str, str]:
    """Make an enrolment token; its text is given this once.

    Returns:
        The token's id and its text.

    Raises:
        DocumentError: When `network` is not an address range.
    """
    if network is not None:
        try:
            network = str(ipaddress.ip_network(network))
        except ValueError as error:
            raise DocumentError(
                f"{network} is not a network, as in 10.20.0.0/16.", field="network"
            ) from error
    token_id = new_token_id()
    text, digest = make_secret(token_id)
    access.add_enrol_token(
        tx,
        {
            "token_id": token_id,
            "hash": digest,
            "label": label,
            "quota": quota,
            "network": network,
            "approval_needed": int(approval_needed),
            "created_ms": to_ms(now),
            "created_by": created_by,
            "expires_ms": to_ms(expires_at),
        },
    )
    return token_id, text
