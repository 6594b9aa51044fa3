"""What people asked for: roles, assignments, holds with their receipts, probe orders."""

from ebbmark_collector.store.tx import Row, Tx


def confirm_hold(tx: Tx, *, hold_id: str, host_id: str, now_ms: int) -> None:
    """Note that a host said a hold is in force there."""
    tx.run(
        """INSERT INTO hold_receipts (hold_id, host_id, confirmed_ms)
           SELECT hold_id, :host_id, :now_ms FROM holds WHERE hold_id = :hold_id
           ON CONFLICT (hold_id, host_id) DO NOTHING""",
        {"hold_id": hold_id, "host_id": host_id, "now_ms": now_ms},
    )


def probe_order_done(tx: Tx, drive_id: str, *, kind: str, probe_id: str, now_ms: int) -> None:
    """Close the oldest open order that this probe carries out."""
    tx.run(
        """UPDATE probe_orders SET done_ms = :now_ms, probe_id = :probe_id WHERE order_id IN (
             SELECT order_id FROM probe_orders
             WHERE drive_id = :drive_id AND kind = :kind AND done_ms IS NULL AND withdrawn_ms IS NULL
               AND not_before_ms <= :now_ms AND ends_ms >= :now_ms
             ORDER BY not_before_ms, order_id LIMIT 1)""",
        {"drive_id": drive_id, "kind": kind, "probe_id": probe_id, "now_ms": now_ms},
    )


def roles(tx: Tx) -> list[Row]:
    """Give every role."""
    return tx.query("SELECT * FROM roles ORDER BY name")


def assignments(tx: Tx) -> list[Row]:
    """Give the assignment rules in their order."""
    return tx.query("SELECT * FROM assignments ORDER BY place_in_order, assignment_id")


def mark(tx: Tx) -> str:
    """Give the mark that names the present state of roles and assignments."""
    rows = tx.query("SELECT value_json FROM settings WHERE name = 'rules_mark'")
    return rows[0]["value_json"] if rows else "shipped"


def set_mark(tx: Tx, value: str) -> None:
    """Name a new state of roles and assignments; call it with every edit of them."""
    tx.run(
        """INSERT INTO settings (name, value_json) VALUES ('rules_mark', :value)
           ON CONFLICT (name) DO UPDATE SET value_json = excluded.value_json, rev = settings.rev + 1""",
        {"value": value},
    )
