"""Hosts: the machines with an agent, what they last said of themselves, and what is asked of them."""

from collections.abc import Mapping, Sequence

from ebbmark_collector.store.tx import Row, Tx, Value


def add_host(tx: Tx, *, host_id: str, name: str, system: str, machine_key: str | None, now_ms: int) -> None:
    """Add an enrolled host.

    Raises:
        Conflict: When the id is taken.
    """
    tx.run(
        """INSERT INTO hosts (host_id, name, system, machine_key, state, presence, enrolled_ms)
           VALUES (:host_id, :name, :system, :machine_key, 'enrolled', 'fixed', :now_ms)""",
        {"host_id": host_id, "name": name, "system": system, "machine_key": machine_key, "now_ms": now_ms},
    )


def host(tx: Tx, host_id: str) -> Row | None:
    """Give one host."""
    rows = tx.query("SELECT * FROM hosts WHERE host_id = :host_id", {"host_id": host_id})
    return rows[0] if rows else None


def hosts_with_machine_key(tx: Tx, machine_key: str) -> list[Row]:
    """Give the enrolled hosts that claimed this machine key."""
    return tx.query(
        "SELECT * FROM hosts WHERE machine_key = :machine_key AND state = 'enrolled' ORDER BY host_id",
        {"machine_key": machine_key},
    )


def heard(tx: Tx, spoke: Sequence[Mapping[str, Value]]) -> None:
    """Note that hosts spoke; an older report never sets the clock back.

    Args:
        tx: A writing transaction.
        spoke: Each `host_id`, `agent_version`, `received_ms` and `sequence`; no host comes twice.
    """
    tx.update_many(
        "hosts",
        """agent_version = :agent_version,
           last_report_ms = CASE WHEN last_report_ms IS NULL OR last_report_ms < :received_ms
                                 THEN :received_ms ELSE last_report_ms END,
           last_sequence = CASE WHEN last_sequence IS NULL OR last_sequence < :sequence
                                THEN :sequence ELSE last_sequence END""",
        "host_id = :host_id",
        spoke,
    )


def set_inventory(
    tx: Tx, *, host_id: str, name: str, system: str, writes_allowed: bool, inventory_json: str
) -> None:
    """Replace what a host said of itself and its drives."""
    tx.run(
        """UPDATE hosts SET name = :name, system = :system, writes_allowed = :writes_allowed,
             inventory_json = :inventory_json WHERE host_id = :host_id""",
        {
            "host_id": host_id,
            "name": name,
            "system": system,
            "writes_allowed": int(writes_allowed),
            "inventory_json": inventory_json,
        },
    )


def set_status(tx: Tx, *, host_id: str, on_air: bool, clock_offset_s: float | None, status_json: str) -> None:
    """Replace a host's last sign of life."""
    tx.run(
        """UPDATE hosts SET on_air = :on_air, clock_offset_s = :clock_offset_s, status_json = :status_json
           WHERE host_id = :host_id""",
        {
            "host_id": host_id,
            "on_air": int(on_air),
            "clock_offset_s": clock_offset_s,
            "status_json": status_json,
        },
    )


def last_subject_report_ms(tx: Tx, subject_id: str, kind: str) -> int | None:
    """Give when the latest kept report of a kind on a subject was made [ms]."""
    rows = tx.query(
        """SELECT made_ms FROM reports WHERE subject_id = :subject_id AND kind = :kind
           ORDER BY made_ms DESC LIMIT 1""",
        {"subject_id": subject_id, "kind": kind},
    )
    return rows[0]["made_ms"] if rows else None


def all_hosts(tx: Tx) -> list[Row]:
    """Give every host that is enrolled."""
    return tx.query("SELECT * FROM hosts WHERE state = 'enrolled' ORDER BY host_id")


def roles_on_hosts(tx: Tx) -> dict[str, set[str]]:
    """Give the roles of the drives last seen on each host."""
    found: dict[str, set[str]] = {}
    rows = tx.query(
        """SELECT DISTINCT host_id, role FROM drives
           WHERE host_id IS NOT NULL AND role IS NOT NULL AND retired_ms IS NULL"""
    )
    for row in rows:
        found.setdefault(row["host_id"], set()).add(row["role"])
    return found


def update_host(tx: Tx, host_id: str, columns: Mapping[str, Value]) -> None:
    """Change what an admin set for a host."""
    sets = ", ".join(f"{column} = :{column}" for column in columns)
    sql = f"UPDATE hosts SET {sets}, rev = rev + 1 WHERE host_id = :host_id"  # noqa: S608 -- columns come from code
    tx.run(sql, {**columns, "host_id": host_id})


def count(tx: Tx) -> int:
    """Count the enrolled hosts [1]."""
    return int(tx.query("SELECT COUNT(*) AS n FROM hosts WHERE state = 'enrolled'")[0]["n"])
