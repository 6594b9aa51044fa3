"""Drives and arrays: one row each with what lists show, and the names by which a drive is known anywhere."""

from collections.abc import Mapping, Sequence

from ebbmark_collector.store.tx import Row, Tx, Value


def drive(tx: Tx, drive_id: str) -> Row | None:
    """Give one drive."""
    rows = tx.query("SELECT * FROM drives WHERE drive_id = :drive_id", {"drive_id": drive_id})
    return rows[0] if rows else None


def known_names(tx: Tx, names: Sequence[str]) -> dict[str, str]:
    """Give those of the names that are known, each with its drive."""
    if not names:
        return {}
    params: dict[str, Value] = {f"n{i}": name for i, name in enumerate(names)}
    marks = ", ".join(f":n{i}" for i in range(len(names)))
    rows = tx.query(f"SELECT name, drive_id FROM drive_names WHERE name IN ({marks})", params)  # noqa: S608 -- marks only
    return {row["name"]: row["drive_id"] for row in rows}


def names_of(tx: Tx, drive_id: str) -> list[str]:
    """Give every name a drive is known by."""
    rows = tx.query(
        "SELECT name FROM drive_names WHERE drive_id = :drive_id ORDER BY since_ms, name",
        {"drive_id": drive_id},
    )
    return [row["name"] for row in rows]


def add_names(tx: Tx, drive_id: str, names: Sequence[str], now_ms: int) -> None:
    """Bind names to a drive; a name bound already stays where it is."""
    tx.insert_many(
        "drive_names",
        ("name", "drive_id", "since_ms"),
        [(name, drive_id, now_ms) for name in names],
        key=("name",),
    )


def add_drive(tx: Tx, columns: Mapping[str, Value]) -> None:
    """Add a drive; `columns` names what is known of it.

    Raises:
        Conflict: When the id is taken.
    """
    tx.insert_many("drives", tuple(columns), [tuple(columns.values())])


def update_drive(tx: Tx, drive_id: str, columns: Mapping[str, Value], *, edited: bool = False) -> None:
    """Change columns of a drive; a person's edit also raises its revision."""
    sets = [f"{column} = :{column}" for column in columns]
    if edited:
        sets.append("rev = rev + 1")
    if sets:
        sql = f"UPDATE drives SET {', '.join(sets)} WHERE drive_id = :drive_id"  # noqa: S608 -- columns come from code
        tx.run(sql, {**columns, "drive_id": drive_id})


def drives_on(tx: Tx, host_id: str) -> list[Row]:
    """Give the drives last seen on a host."""
    return tx.query("SELECT * FROM drives WHERE host_id = :host_id ORDER BY drive_id", {"host_id": host_id})


def note_health(
    tx: Tx,
    drive_id: str,
    *,
    read_ms: int,
    health_json: str,
    temperature_c: float | None,
    percentage_used: int | None,
    written_bytes: int | None,
) -> None:
    """Show a health read on its drive, unless a later one is shown already."""
    tx.run(
        """UPDATE drives SET last_health_ms = :read_ms, health_json = :health_json,
             temperature_c = :temperature_c,
             percentage_used = :percentage_used, written_bytes = :written_bytes,
             last_seen_ms = CASE WHEN last_seen_ms < :read_ms THEN :read_ms ELSE last_seen_ms END
           WHERE drive_id = :drive_id AND (last_health_ms IS NULL OR last_health_ms <= :read_ms)""",
        {
            "drive_id": drive_id,
            "read_ms": read_ms,
            "health_json": health_json,
            "temperature_c": temperature_c,
            "percentage_used": percentage_used,
            "written_bytes": written_bytes,
        },
    )


def note_probe(tx: Tx, drive_id: str, *, started_ms: int) -> None:
    """Show on a drive when it was last probed."""
    tx.run(
        """UPDATE drives SET last_probe_ms = :started_ms
           WHERE drive_id = :drive_id AND (last_probe_ms IS NULL OR last_probe_ms < :started_ms)""",
        {"drive_id": drive_id, "started_ms": started_ms},
    )
