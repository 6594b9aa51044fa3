"""Drives and arrays: one row each with what lists show, and the names by which a drive is known anywhere."""

from collections.abc import Mapping, Sequence

from ebbmark_collector.store.tx import MOST_MARKS, Row, Tx, Value, marks_for


def drive(tx: Tx, drive_id: str) -> Row | None:
    """Give one drive."""
    rows = tx.query("SELECT * FROM drives WHERE drive_id = :drive_id", {"drive_id": drive_id})
    return rows[0] if rows else None


def known_names(tx: Tx, names: Sequence[str]) -> dict[str, str]:
    """Give those of the names that are known, each with its drive."""
    if not names:
        return {}
    marks, params = marks_for(names)
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


def with_health(tx: Tx, names: Sequence[str]) -> list[Row]:
    """Give those of the names that are known, each with its drive and the health shown on that."""
    found: list[Row] = []
    for first in range(0, len(names), MOST_MARKS):
        marks, params = marks_for(names[first : first + MOST_MARKS])
        found += tx.query(
            f"""SELECT n.name, d.drive_id, d.last_health_ms, d.health_json
                FROM drive_names n JOIN drives d ON d.drive_id = n.drive_id
                WHERE n.name IN ({marks})""",  # noqa: S608 -- marks only
            params,
        )
    return found


def health_on(tx: Tx, drive_id: str) -> Row:
    """Give a drive with the health shown on it."""
    return tx.query(
        "SELECT drive_id, last_health_ms, health_json FROM drives WHERE drive_id = :id", {"id": drive_id}
    )[0]


def look_again(tx: Tx, drive_id: str) -> None:
    """Have the next round look at a drive."""
    tx.run("UPDATE drives SET look_again = 1 WHERE drive_id = :id AND look_again = 0", {"id": drive_id})


def note_health(tx: Tx, shown: Sequence[Mapping[str, Value]]) -> bool:
    """Show health reads on their drives and have the next round look at these, unless later ones are shown.

    Args:
        tx: A writing transaction.
        shown: Each `drive_id`, `read_ms`, `health_json`, `temperature_c`, `percentage_used` and
            `written_bytes`; no drive comes twice.

    Returns:
        Whether all are shown now.
    """
    touched = tx.update_many(
        "drives",
        """last_health_ms = :read_ms, health_json = :health_json, temperature_c = :temperature_c,
           look_again = 1, percentage_used = :percentage_used, written_bytes = :written_bytes,
           last_seen_ms = CASE WHEN last_seen_ms < :read_ms THEN :read_ms ELSE last_seen_ms END""",
        "drive_id = :drive_id AND (last_health_ms IS NULL OR last_health_ms <= :read_ms)",
        shown,
    )
    return touched == len(shown)


def note_probe(tx: Tx, drive_id: str, *, started_ms: int) -> None:
    """Show on a drive when it was last probed."""
    tx.run(
        """UPDATE drives SET last_probe_ms = :started_ms
           WHERE drive_id = :drive_id AND (last_probe_ms IS NULL OR last_probe_ms < :started_ms)""",
        {"drive_id": drive_id, "started_ms": started_ms},
    )


def claim(tx: Tx, *, host_id: str, drive_ids: Sequence[str], made_ms: int) -> None:
    """Note which drives a host says it holds; those it no longer names are gone from it."""
    held = {
        row["drive_id"]
        for row in tx.query(
            "SELECT drive_id FROM drive_claims WHERE host_id = :host_id AND gone_ms IS NULL",
            {"host_id": host_id},
        )
    }
    for drive_id in dict.fromkeys(drive_ids):
        tx.run(
            """INSERT INTO drive_claims (drive_id, host_id, since_ms, last_ms)
               VALUES (:drive_id, :host_id, :made_ms, :made_ms)
               ON CONFLICT (drive_id, host_id) DO UPDATE SET
                 since_ms = CASE WHEN drive_claims.gone_ms IS NULL THEN drive_claims.since_ms
                                 ELSE excluded.since_ms END,
                 last_ms = excluded.last_ms, gone_ms = NULL""",
            {"drive_id": drive_id, "host_id": host_id, "made_ms": made_ms},
        )
    for drive_id in held.difference(drive_ids):
        tx.run(
            """UPDATE drive_claims SET gone_ms = :made_ms
               WHERE drive_id = :drive_id AND host_id = :host_id""",
            {"drive_id": drive_id, "host_id": host_id, "made_ms": made_ms},
        )


def claimed_at_once(tx: Tx, drive_id: str) -> list[str]:
    """Give the hosts that held a drive over one and the same time: no drive is in two machines."""
    rows = tx.query(
        """SELECT host_id, since_ms, last_ms FROM drive_claims
           WHERE drive_id = :drive_id AND gone_ms IS NULL ORDER BY host_id""",
        {"drive_id": drive_id},
    )
    if len(rows) < 2:
        return []
    return [
        a["host_id"]
        for a in rows
        if any(a is not b and a["last_ms"] > b["since_ms"] and b["last_ms"] > a["since_ms"] for b in rows)
    ]


def show_floor(
    tx: Tx, drive_id: str, *, kind: str, started_ms: int, floor: float | None, cliff: float | None
) -> None:
    """Show the floor of a drive's latest spot or soak, for comparing it with its siblings."""
    if kind == "spot":
        tx.run(
            """UPDATE drives SET spot_floor_bytes_per_s = :floor, last_spot_ms = :started_ms
               WHERE drive_id = :id AND (last_spot_ms IS NULL OR last_spot_ms <= :started_ms)""",
            {"id": drive_id, "floor": floor, "started_ms": started_ms},
        )
    elif kind == "soak":
        tx.run(
            """UPDATE drives SET soak_floor_bytes_per_s = :floor, soak_cliff_bytes = :cliff,
                 last_soak_ms = :started_ms
               WHERE drive_id = :id AND (last_soak_ms IS NULL OR last_soak_ms <= :started_ms)""",
            {"id": drive_id, "floor": floor, "cliff": cliff, "started_ms": started_ms},
        )


def siblings(tx: Tx) -> list[Row]:
    """Give what drives of one model are compared by: the latest floors, over which path."""
    return tx.query(
        """SELECT drive_id, model, firmware, path_key, spot_floor_bytes_per_s, soak_floor_bytes_per_s,
                  soak_cliff_bytes
           FROM drives WHERE model IS NOT NULL AND retired_ms IS NULL
             AND (spot_floor_bytes_per_s IS NOT NULL OR soak_floor_bytes_per_s IS NOT NULL)"""
    )


def to_look_at(tx: Tx, *, judged_before_ms: int, limit: int) -> list[str]:
    """Give drives that have news, a delay running, or were not judged since an instant; the oldest first."""
    rows = tx.query(
        """SELECT drive_id FROM drives WHERE look_again = 1 OR judged_ms IS NULL OR judged_ms < :before
           ORDER BY judged_ms NULLS FIRST, drive_id LIMIT :limit""",
        {"before": judged_before_ms, "limit": limit},
    )
    return [row["drive_id"] for row in rows]


def counted(tx: Tx) -> dict[str, int]:
    """Count drives by standing, those without a role, and the retired [1]."""
    rows = tx.query(
        """SELECT COUNT(*) FILTER (WHERE retired_ms IS NULL) AS drives,
             COUNT(*) FILTER (WHERE retired_ms IS NOT NULL) AS retired,
             COUNT(*) FILTER (WHERE retired_ms IS NULL AND role IS NULL) AS without_role,
             COUNT(*) FILTER (WHERE retired_ms IS NULL AND standing = 'fit') AS fit,
             COUNT(*) FILTER (WHERE retired_ms IS NULL AND standing = 'marginal') AS marginal,
             COUNT(*) FILTER (WHERE retired_ms IS NULL AND standing = 'unfit') AS unfit,
             COUNT(*) FILTER (WHERE retired_ms IS NULL AND standing = 'unproven') AS unproven
           FROM drives"""
    )
    return rows[0]


def all_in_service(tx: Tx) -> list[Row]:
    """Give what assignment rules look at, of every drive in service."""
    return tx.query(
        """SELECT d.drive_id, d.label, d.asset_tag, d.model, d.serial, d.wwn, d.removable, d.volumes_json,
                  d.role, h.name AS host_name
           FROM drives d LEFT JOIN hosts h ON h.host_id = d.host_id
           WHERE d.retired_ms IS NULL ORDER BY d.drive_id"""
    )


def look_at_all_again(tx: Tx) -> None:
    """Have the next round look at every drive."""
    tx.run("UPDATE drives SET look_again = 1")


def in_kit(tx: Tx, kit: str) -> list[Row]:
    """Give the drives of a kit that are in service."""
    return tx.query(
        "SELECT * FROM drives WHERE kit = :kit AND retired_ms IS NULL ORDER BY asset_tag, drive_id",
        {"kit": kit},
    )


def kits(tx: Tx) -> list[Row]:
    """Count the drives of each kit by standing [1]."""
    return tx.query(
        """SELECT kit, COUNT(*) AS drives,
             COUNT(*) FILTER (WHERE standing = 'fit') AS fit,
             COUNT(*) FILTER (WHERE standing = 'marginal') AS marginal,
             COUNT(*) FILTER (WHERE standing = 'unfit') AS unfit,
             COUNT(*) FILTER (WHERE standing = 'unproven') AS unproven,
             MIN(evidence_ms) AS oldest_evidence_ms
           FROM drives WHERE kit IS NOT NULL AND retired_ms IS NULL GROUP BY kit ORDER BY kit"""
    )


def soaked(tx: Tx, *, least_floor: float, limit: int) -> list[Row]:
    """Give drives in service whose latest soak showed at least this floor, the fastest first."""
    return tx.query(
        """SELECT d.*, h.name AS host_name FROM drives d LEFT JOIN hosts h ON h.host_id = d.host_id
           WHERE d.retired_ms IS NULL AND d.soak_floor_bytes_per_s >= :least
           ORDER BY d.soak_floor_bytes_per_s DESC, d.drive_id LIMIT :limit""",
        {"least": least_floor, "limit": limit},
    )


def unfinished(tx: Tx, *, limit: int) -> list[Row]:
    """Give drives in service that have no role or are unproven."""
    return tx.query(
        """SELECT * FROM drives WHERE retired_ms IS NULL AND (role IS NULL OR standing = 'unproven')
           ORDER BY host_id, drive_id LIMIT :limit""",
        {"limit": limit},
    )


def replacements(tx: Tx, *, before_ms: int) -> list[Row]:
    """Give drives foreseen to leave their role before an instant, the first first."""
    return tx.query(
        """SELECT drive_id, label, asset_tag, model, role, kit, host_id, likely_ms, likely_limit FROM drives
           WHERE likely_ms IS NOT NULL AND likely_ms < :before_ms AND retired_ms IS NULL
           ORDER BY likely_ms, drive_id LIMIT 5000""",
        {"before_ms": before_ms},
    )
