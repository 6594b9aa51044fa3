"""What people asked for: roles, assignments, holds with their receipts, probe orders."""

import json

from ebbmark_collector.store.tx import Row, Tx, Value


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


def house_formats(tx: Tx) -> str | None:
    """Give the text of the house's own recording formats in force; None where it has none."""
    rows = tx.query("SELECT value_json FROM settings WHERE name = 'house_formats'")
    text: str | None = json.loads(rows[0]["value_json"]) if rows else None
    return text


def put_house_formats(tx: Tx, text: str | None) -> None:
    """Put other formats of the house in force, or none; the caller names a new state of the rules."""
    tx.run(
        """INSERT INTO settings (name, value_json) VALUES ('house_formats', :value)
           ON CONFLICT (name) DO UPDATE SET value_json = excluded.value_json, rev = settings.rev + 1""",
        {"value": json.dumps(text)},
    )


def role(tx: Tx, name: str) -> Row | None:
    """Give one stored role."""
    rows = tx.query("SELECT * FROM roles WHERE name = :name", {"name": name})
    return rows[0] if rows else None


def put_role(tx: Tx, *, name: str, document: str, now_ms: int) -> int:
    """Store a role; give its revision [1]."""
    rows = tx.query(
        """INSERT INTO roles (name, origin, document, changed_ms) VALUES (:name, 'house', :document, :now_ms)
           ON CONFLICT (name) DO UPDATE SET document = excluded.document, changed_ms = excluded.changed_ms,
             rev = roles.rev + 1
           RETURNING rev""",
        {"name": name, "document": document, "now_ms": now_ms},
    )
    return int(rows[0]["rev"])


def drop_role(tx: Tx, name: str) -> int:
    """Drop a stored role; give how many rows that touched [1]."""
    return tx.run("DELETE FROM roles WHERE name = :name", {"name": name})


def put_assignment(tx: Tx, columns: dict[str, Value]) -> None:
    """Store an assignment rule."""
    names = tuple(columns)
    tx.insert_many(
        "assignments",
        names,
        [tuple(columns.values())],
        key=("assignment_id",),
        update=tuple(name for name in names if name not in {"assignment_id", "created_ms"}),
    )


def drop_assignment(tx: Tx, assignment_id: str) -> int:
    """Drop an assignment rule; give how many rows that touched [1]."""
    return tx.run("DELETE FROM assignments WHERE assignment_id = :id", {"id": assignment_id})


def put_hold(tx: Tx, columns: dict[str, Value]) -> None:
    """Store a hold."""
    tx.insert_many("holds", tuple(columns), [tuple(columns.values())])


def end_hold(tx: Tx, hold_id: str, now_ms: int) -> int:
    """End a hold before its time; give how many rows that touched [1]."""
    return tx.run(
        """UPDATE holds SET ends_ms = :now_ms, ended_early_ms = :now_ms, rev = rev + 1
           WHERE hold_id = :hold_id AND ends_ms > :now_ms""",
        {"hold_id": hold_id, "now_ms": now_ms},
    )


def hold(tx: Tx, hold_id: str) -> Row | None:
    """Give one hold."""
    rows = tx.query("SELECT * FROM holds WHERE hold_id = :hold_id", {"hold_id": hold_id})
    return rows[0] if rows else None


def holds_ahead(tx: Tx, now_ms: int) -> list[Row]:
    """Give the holds in force now or later."""
    return tx.query(
        "SELECT * FROM holds WHERE ends_ms > :now_ms ORDER BY starts_ms, hold_id", {"now_ms": now_ms}
    )


def receipts(tx: Tx, hold_id: str) -> dict[str, int]:
    """Give which hosts confirmed a hold, and when [ms]."""
    rows = tx.query(
        "SELECT host_id, confirmed_ms FROM hold_receipts WHERE hold_id = :hold_id", {"hold_id": hold_id}
    )
    return {row["host_id"]: row["confirmed_ms"] for row in rows}


def put_probe_order(tx: Tx, columns: dict[str, Value]) -> None:
    """Store a probe order."""
    tx.insert_many("probe_orders", tuple(columns), [tuple(columns.values())])


def withdraw_probe_order(tx: Tx, order_id: str, now_ms: int) -> int:
    """Withdraw an order that is not done; give how many rows that touched [1]."""
    return tx.run(
        """UPDATE probe_orders SET withdrawn_ms = :now_ms
           WHERE order_id = :id AND withdrawn_ms IS NULL AND done_ms IS NULL""",
        {"id": order_id, "now_ms": now_ms},
    )


def open_probe_orders(tx: Tx, host_id: str, now_ms: int) -> list[Row]:
    """Give the open orders for drives on a host, each with its drive's volumes."""
    return tx.query(
        """SELECT o.*, d.volumes_json FROM probe_orders o JOIN drives d ON d.drive_id = o.drive_id
           WHERE d.host_id = :host_id AND o.withdrawn_ms IS NULL AND o.done_ms IS NULL AND o.ends_ms > :now_ms
           ORDER BY o.not_before_ms, o.order_id""",
        {"host_id": host_id, "now_ms": now_ms},
    )


def add_incident(tx: Tx, columns: dict[str, Value]) -> None:
    """Store an incident."""
    tx.insert_many("incidents", tuple(columns), [tuple(columns.values())])
