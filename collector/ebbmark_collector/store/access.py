"""Tokens, enrolments and the audit log. A token's secret is never here, only its SHA-256."""

from collections.abc import Mapping, Sequence

from ebbmark_collector.store.tx import Row, Tx, Value, marks_for


def add_token(
    tx: Tx,
    *,
    token_id: str,
    scope: str,
    secret_hash: bytes,
    label: str,
    created_by: str,
    now_ms: int,
    host_id: str | None = None,
    expires_ms: int | None = None,
) -> None:
    """Add a token.

    Raises:
        Conflict: When the id is taken.
    """
    tx.run(
        """INSERT INTO tokens (token_id, scope, hash, label, host_id, created_ms, created_by, expires_ms)
           VALUES (:token_id, :scope, :hash, :label, :host_id, :now_ms, :created_by, :expires_ms)""",
        {
            "token_id": token_id,
            "scope": scope,
            "hash": secret_hash,
            "label": label,
            "host_id": host_id,
            "now_ms": now_ms,
            "created_by": created_by,
            "expires_ms": expires_ms,
        },
    )


def tokens_of(tx: Tx, token_ids: Sequence[str]) -> dict[str, Row]:
    """Give those of some tokens that there are, by id; at most `MOST_MARKS` at once."""
    marks, params = marks_for(token_ids)
    rows = tx.query(f"SELECT * FROM tokens WHERE token_id IN ({marks})", params)  # noqa: S608 -- marks only
    return {row["token_id"]: row for row in rows}


def tokens_used(tx: Tx, used: Mapping[str, int]) -> None:
    """Note when tokens were used [ms], by their ids."""
    tx.update_many(
        "tokens",
        "last_used_ms = :now_ms",
        "token_id = :token_id",
        [{"token_id": token_id, "now_ms": now_ms} for token_id, now_ms in used.items()],
    )


def revoke_token(tx: Tx, token_id: str, now_ms: int) -> int:
    """Revoke a token; give how many rows that touched [1]."""
    return tx.run(
        "UPDATE tokens SET revoked_ms = :now_ms WHERE token_id = :token_id AND revoked_ms IS NULL",
        {"token_id": token_id, "now_ms": now_ms},
    )


def revoke_host_tokens(tx: Tx, host_id: str, now_ms: int) -> None:
    """Revoke every token of a host."""
    tx.run(
        "UPDATE tokens SET revoked_ms = :now_ms WHERE host_id = :host_id AND revoked_ms IS NULL",
        {"host_id": host_id, "now_ms": now_ms},
    )


def has_admin(tx: Tx) -> bool:
    """Tell whether any admin token was ever made."""
    return bool(tx.query("SELECT token_id FROM tokens WHERE scope = 'admin' LIMIT 1"))


def add_enrol_token(tx: Tx, columns: dict[str, Value]) -> None:
    """Add an enrolment token."""
    tx.insert_many("enrol_tokens", tuple(columns), [tuple(columns.values())])


def enrol_token(tx: Tx, token_id: str) -> Row | None:
    """Give one enrolment token."""
    rows = tx.query("SELECT * FROM enrol_tokens WHERE token_id = :token_id", {"token_id": token_id})
    return rows[0] if rows else None


def use_enrol_token(tx: Tx, token_id: str) -> bool:
    """Take one of a token's uses; tell whether one was left."""
    touched = tx.run(
        "UPDATE enrol_tokens SET used = used + 1 WHERE token_id = :token_id AND used < quota",
        {"token_id": token_id},
    )
    return touched == 1


def enrolment(tx: Tx, token_id: str, machine_key: str, host_name: str) -> Row | None:
    """Give what became of a machine's asking with this token."""
    rows = tx.query(
        """SELECT * FROM enrolments WHERE token_id = :token_id AND machine_key = :machine_key
             AND host_name = :host_name""",
        {"token_id": token_id, "machine_key": machine_key, "host_name": host_name},
    )
    return rows[0] if rows else None


def enrolment_by_id(tx: Tx, enrolment_id: str) -> Row | None:
    """Give one enrolment."""
    rows = tx.query("SELECT * FROM enrolments WHERE enrolment_id = :id", {"id": enrolment_id})
    return rows[0] if rows else None


def put_enrolment(tx: Tx, columns: dict[str, Value]) -> None:
    """Add an enrolment or replace it under its id."""
    names = tuple(columns)
    tx.insert_many(
        "enrolments",
        names,
        [tuple(columns.values())],
        key=("enrolment_id",),
        update=tuple(name for name in names if name != "enrolment_id"),
    )


def add_audit(
    tx: Tx, *, audit_id: str, at_ms: int, who: str, action: str, subject: str, detail_json: str
) -> None:
    """Write one line of the audit log; nothing ever changes or drops one."""
    tx.run(
        """INSERT INTO audit (audit_id, at_ms, who, action, subject, detail_json)
           VALUES (:audit_id, :at_ms, :who, :action, :subject, :detail_json)""",
        {
            "audit_id": audit_id,
            "at_ms": at_ms,
            "who": who,
            "action": action,
            "subject": subject,
            "detail_json": detail_json,
        },
    )


def expire_token(tx: Tx, token_id: str, at_ms: int) -> None:
    """Bring a token's end forward."""
    tx.run(
        """UPDATE tokens SET expires_ms = :at_ms
           WHERE token_id = :token_id AND (expires_ms IS NULL OR expires_ms > :at_ms)""",
        {"token_id": token_id, "at_ms": at_ms},
    )


def revoke_enrol_token(tx: Tx, token_id: str, now_ms: int) -> int:
    """Revoke an enrolment token; give how many rows that touched [1]."""
    return tx.run(
        "UPDATE enrol_tokens SET revoked_ms = :now_ms WHERE token_id = :token_id AND revoked_ms IS NULL",
        {"token_id": token_id, "now_ms": now_ms},
    )
