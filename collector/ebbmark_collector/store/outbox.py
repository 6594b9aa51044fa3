"""The outbox: one row a message, kept until its receiver said that it has it, or until it is given up."""

from ebbmark_collector.store.tx import Row, Tx, Value

_COLUMNS = ("message_id", "target", "channel", "in_digest", "body", "made_ms", "next_ms", "tries")


def add(tx: Tx, rows: list[dict[str, Value]]) -> None:
    """Add messages; one that is there already stays as it is."""
    tx.insert_many("outbox", _COLUMNS, [tuple(row[c] for c in _COLUMNS) for row in rows], key=("message_id",))


def due(tx: Tx, now_ms: int, *, limit: int = 200) -> list[Row]:
    """Give the messages whose time has come, oldest first."""
    return tx.query(
        """SELECT * FROM outbox WHERE delivered_ms IS NULL AND given_up_ms IS NULL AND next_ms <= :now_ms
           ORDER BY next_ms, message_id LIMIT :limit""",
        {"now_ms": now_ms, "limit": limit},
    )


def put_fate(
    tx: Tx,
    message_id: str,
    *,
    tries: int,
    delivered_ms: int | None,
    next_ms: int | None,
    given_up_ms: int | None,
    sentence: str,
) -> None:
    """Write what became of a message."""
    tx.run(
        """UPDATE outbox SET tries = :tries, delivered_ms = :delivered_ms, given_up_ms = :given_up_ms,
             next_ms = COALESCE(:next_ms, next_ms), sentence = :sentence
           WHERE message_id = :message_id""",
        {
            "message_id": message_id,
            "tries": tries,
            "delivered_ms": delivered_ms,
            "next_ms": next_ms,
            "given_up_ms": given_up_ms,
            "sentence": sentence,
        },
    )
