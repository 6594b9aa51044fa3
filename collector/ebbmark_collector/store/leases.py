"""Who leads: one row, taken for a while and kept by renewing it, the same on both engines."""

from ebbmark_collector.store.tx import Tx


def take(tx: Tx, *, name: str, owner: str, now_ms: int, for_ms: int) -> bool:
    """Take or renew a lease.

    Args:
        tx: A writing transaction.
        name: What is led.
        owner: Who asks.
        now_ms: The instant [ms].
        for_ms: For how long [ms].

    Returns:
        True if the asker leads until then.
    """
    rows = tx.query(
        """INSERT INTO leases (name, owner, until_ms) VALUES (:name, :owner, :until_ms)
           ON CONFLICT (name) DO UPDATE SET owner = excluded.owner, until_ms = excluded.until_ms
             WHERE leases.until_ms < :now_ms OR leases.owner = :owner
           RETURNING owner""",
        {"name": name, "owner": owner, "now_ms": now_ms, "until_ms": now_ms + for_ms},
    )
    return bool(rows) and rows[0]["owner"] == owner


def give_up(tx: Tx, *, name: str, owner: str) -> None:
    """Let go of a lease, so that another need not wait for its end."""
    tx.run("DELETE FROM leases WHERE name = :name AND owner = :owner", {"name": name, "owner": owner})
