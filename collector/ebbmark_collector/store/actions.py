"""Actions that carry a key, and the answers given for them."""

from ebbmark_collector.store.tx import Row, Tx, Value


def begin(tx: Tx, token_id: str, key: str, request_hash: bytes, now_ms: int) -> Row | None:
    """Note that an action begins; give what is known if one with this key began before."""
    params: dict[str, Value] = {
        "token_id": token_id,
        "key": key,
        "request_hash": request_hash,
        "now_ms": now_ms,
    }
    added = tx.run(
        """INSERT INTO idempotency (token_id, idempotency_key, request_hash, started_ms)
           VALUES (:token_id, :key, :request_hash, :now_ms)
           ON CONFLICT (token_id, idempotency_key) DO NOTHING""",
        params,
    )
    if added == 1:
        return None
    rows = tx.query(
        "SELECT * FROM idempotency WHERE token_id = :token_id AND idempotency_key = :key",
        {"token_id": token_id, "key": key},
    )
    return rows[0]


def finish(tx: Tx, token_id: str, key: str, *, status: int, headers_json: str, body: bytes) -> None:
    """Keep the answer given."""
    tx.run(
        """UPDATE idempotency SET status = :status, headers_json = :headers_json, body = :body
           WHERE token_id = :token_id AND idempotency_key = :key""",
        {"token_id": token_id, "key": key, "status": status, "headers_json": headers_json, "body": body},
    )


def forget(tx: Tx, token_id: str, key: str) -> None:
    """Forget an action that failed, so that it can be tried again."""
    tx.run(
        "DELETE FROM idempotency WHERE token_id = :token_id AND idempotency_key = :key",
        {"token_id": token_id, "key": key},
    )


def expire(tx: Tx, before_ms: int) -> int:
    """Drop keys older than an instant; give how many [1]."""
    return tx.run("DELETE FROM idempotency WHERE started_ms < :before_ms", {"before_ms": before_ms})
