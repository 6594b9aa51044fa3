"""Evidence rows: probes, health by the day, takes and findings, each insertable twice without harm."""

from collections.abc import Mapping, Sequence

from ebbmark_collector.store import packing
from ebbmark_collector.store.tx import Row, Tx, Value

_HEALTH_COLUMNS = (
    "drive_id",
    "day",
    "read_ms",
    "state",
    "temperature_c",
    "hottest_c",
    "percentage_used",
    "available_spare_percent",
    "written_bytes",
    "power_on_hours",
    "media_errors",
    "reallocated_sectors",
    "pending_sectors",
    "uncorrectable_errors",
    "interface_crc_errors",
    "reading",
)
DAY_MS = 86_400_000  # [ms]


def pack(text: str) -> bytes:
    """Compress a JSON text for a column that lists do not read."""
    return packing.pack(text.encode())


def unpack(blob: bytes) -> str:
    """Give a packed JSON text back."""
    return packing.unpack(blob).decode()


def add_probe(tx: Tx, columns: Mapping[str, Value]) -> bool:
    """Add a probe; tell whether it was new."""
    known = tx.query(
        "SELECT 1 AS one FROM probes WHERE probe_id = :probe_id", {"probe_id": columns["probe_id"]}
    )
    if known:
        return False
    tx.insert_many("probes", tuple(columns), [tuple(columns.values())])
    return True


_LATER = ", ".join(
    f"{name} = CASE WHEN excluded.read_ms >= health_days.read_ms"
    f" THEN excluded.{name} ELSE health_days.{name} END"
    for name in _HEALTH_COLUMNS
    if name not in {"drive_id", "day", "hottest_c"}
)
_MERGE_HEALTH = f"""{_LATER},
    hottest_c = CASE WHEN excluded.hottest_c IS NULL THEN health_days.hottest_c
                     WHEN health_days.hottest_c IS NULL OR excluded.hottest_c > health_days.hottest_c
                     THEN excluded.hottest_c ELSE health_days.hottest_c END,
    readings = health_days.readings + excluded.readings"""


def add_health(tx: Tx, days: Sequence[Mapping[str, Value]]) -> None:
    """Note health read on some days: the latest stands for a day, with that day's hottest temperature.

    Args:
        tx: A writing transaction.
        days: Columns of each day's latest read, with its `day`, how many `readings` there were and the
            `hottest_c`; no day of a drive comes twice.
    """
    columns = (*_HEALTH_COLUMNS, "readings")
    rows = [tuple(day[name] for name in columns) for day in days]
    tx.insert_many("health_days", columns, rows, key=("drive_id", "day"), merge=_MERGE_HEALTH)


def add_take(tx: Tx, columns: Mapping[str, Value]) -> None:
    """Add a take; a repeat changes nothing."""
    tx.insert_many(
        "takes", tuple(columns), [tuple(columns.values())], key=("drive_id", "started_ms", "take_id")
    )


def add_finding(tx: Tx, columns: Mapping[str, Value]) -> None:
    """Add a finding; a repeat changes nothing."""
    tx.insert_many(
        "findings", tuple(columns), [tuple(columns.values())], key=("drive_id", "found_ms", "report_id")
    )


_MARK = "probe_id, started_ms, fit_key, floor_bytes_per_s"  # of a probe: another judgement, another mark
_POINT = """kind, outcome, duration_s, bytes_written, path_key, layout, lasting_bytes_per_s, mean_bytes_per_s,
            cliff_at_bytes, cliff_floor_bytes_per_s, settled, spread, longest_stall_s, stall_count,
            path_limited, fill_start, rest_before_s, temperature_start_c, temperature_hottest_c,
            waited_for_data_s, pattern, read_back_ok, fault_sentence, discard, space_returned, by_hand,
            fit_json"""


def _in_sight(columns: str) -> tuple[str, str]:
    # Two statements, each along an index: together they would read every spot the drive ever had.
    sql = f"SELECT {columns} FROM probes WHERE drive_id = :drive_id AND "  # noqa: S608 -- names from this module
    order = " ORDER BY started_ms, probe_id"
    return (
        f"{sql} kind <> 'spot' AND started_ms < :since_ms {order}",
        f"{sql} started_ms >= :since_ms {order}",
    )


_POINTS_OLDER, _POINTS_NEWER = _in_sight(f"{_MARK}, {_POINT}")
_MARKS_OLDER, _MARKS_NEWER = _in_sight(_MARK)


def probes_of(tx: Tx, drive_id: str, *, since_ms: int) -> list[Row]:
    """Give a drive's spots since an instant, and every other probe of it, oldest first."""
    params: dict[str, Value] = {"drive_id": drive_id, "since_ms": since_ms}
    return tx.query(_POINTS_OLDER, params) + tx.query(_POINTS_NEWER, params)


def probe_marks(tx: Tx, drive_id: str, *, since_ms: int) -> list[tuple[Value, ...]]:
    """Give the marks of the probes that `probes_of` gives: one whose mark is known needs no second look.

    Returns:
        Probe id, start [ms], key of its fit, floor [bytes/s].
    """
    params: dict[str, Value] = {"drive_id": drive_id, "since_ms": since_ms}
    return tx.values(_MARKS_OLDER, params) + tx.values(_MARKS_NEWER, params)


def probe_of(tx: Tx, drive_id: str, *, started_ms: int, probe_id: str) -> Row:
    """Give one of a drive's probes, with the columns that `probes_of` gives."""
    sql = f"""SELECT {_MARK}, {_POINT} FROM probes
              WHERE drive_id = :drive_id AND started_ms = :started_ms AND probe_id = :probe_id"""  # noqa: S608
    return tx.query(sql, {"drive_id": drive_id, "started_ms": started_ms, "probe_id": probe_id})[0]


def probe(tx: Tx, probe_id: str) -> Row | None:
    """Give one probe."""
    rows = tx.query("SELECT * FROM probes WHERE probe_id = :probe_id", {"probe_id": probe_id})
    return rows[0] if rows else None


def health_marks(tx: Tx, drive_id: str, *, since_ms: int) -> list[tuple[int]]:
    """Give when a drive's health was read [ms], a day each, from an instant on."""
    return tx.values(
        """SELECT read_ms FROM health_days
           WHERE drive_id = :drive_id AND day >= :day AND reading IS NOT NULL ORDER BY day""",
        {"drive_id": drive_id, "day": since_ms // DAY_MS},
    )


def health_since(tx: Tx, drive_id: str, *, since_ms: int) -> list[Row]:
    """Give a drive's days of health from an instant on."""
    return tx.query(
        """SELECT read_ms, reading FROM health_days
           WHERE drive_id = :drive_id AND day >= :day AND reading IS NOT NULL ORDER BY day""",
        {"drive_id": drive_id, "day": since_ms // DAY_MS},
    )


def reported_on(tx: Tx, drive_id: str) -> tuple[bool, bool, bool]:
    """Tell of a drive whether there are takes, findings and incidents: most drives have none of either."""
    found = tx.values(
        """SELECT EXISTS (SELECT 1 FROM takes WHERE drive_id = :drive_id) AS any_takes,
             EXISTS (SELECT 1 FROM findings WHERE drive_id = :drive_id) AS any_findings,
             EXISTS (SELECT 1 FROM incidents WHERE drive_id = :drive_id) AS any_incidents""",
        {"drive_id": drive_id},
    )
    takes, findings, incidents = found[0]
    return bool(takes), bool(findings), bool(incidents)


def takes_since(tx: Tx, drive_id: str, *, since_ms: int) -> list[Row]:
    """Give a drive's takes from an instant on."""
    return tx.query(
        """SELECT * FROM takes WHERE drive_id = :drive_id AND started_ms >= :since_ms
           ORDER BY started_ms, take_id""",
        {"drive_id": drive_id, "since_ms": since_ms},
    )


def findings_of(tx: Tx, drive_id: str) -> list[Row]:
    """Give every finding on a drive."""
    return tx.query(
        "SELECT * FROM findings WHERE drive_id = :drive_id ORDER BY found_ms, report_id",
        {"drive_id": drive_id},
    )


def faulty_probes_since(tx: Tx, drive_id: str, since_ms: int) -> list[Row]:
    """Give the probes after an instant whose write failed or whose read-back differed, the newest first."""
    return tx.query(
        """SELECT started_ms, read_back_ok, fault_sentence FROM probes
           WHERE drive_id = :drive_id AND started_ms > :since_ms
             AND (read_back_ok = 0 OR fault_sentence IS NOT NULL)
           ORDER BY started_ms DESC, probe_id""",
        {"drive_id": drive_id, "since_ms": since_ms},
    )


def incidents_of(tx: Tx, drive_id: str) -> list[Row]:
    """Give every incident a person reported on a drive."""
    return tx.query(
        "SELECT * FROM incidents WHERE drive_id = :drive_id ORDER BY happened_ms, incident_id",
        {"drive_id": drive_id},
    )


def probes_judged_otherwise(tx: Tx, drive_id: str, fit_key: str) -> list[Row]:
    """Give the probes of a drive whose judgement is for another demand than this one."""
    return tx.query(
        """SELECT * FROM probes WHERE drive_id = :drive_id
             AND (fit_key IS NULL OR fit_key <> :fit_key)
           ORDER BY started_ms, probe_id""",
        {"drive_id": drive_id, "fit_key": fit_key},
    )


_LOOKED_BACK_MS = 60 * DAY_MS  # [ms] a collector off for longer leaves some rows longer than they need be


def make_points(tx: Tx, drive_id: str, *, before_ms: int) -> None:
    """Make a drive's spots before an instant points of its floor series: rates and spread, nothing else.

    Rates are kept to the byte a second; SQLite stores a whole number in half the space of a fraction.
    """
    where = "drive_id = :drive_id AND started_ms < :before_ms AND kind = 'spot' AND trace_kept = 0"
    params: dict[str, Value] = {"drive_id": drive_id, "before_ms": before_ms}
    rows = tx.query(
        f"""SELECT drive_id, started_ms, floor_bytes_per_s, lasting_bytes_per_s, mean_bytes_per_s, spread
            FROM probes WHERE {where} AND outcome = 'completed'""",  # noqa: S608 -- constant text
        params,
    )
    if rows:
        tx.insert_many(
            "old_spots",
            tuple(rows[0]),
            [tuple(_whole(name, value) for name, value in row.items()) for row in rows],
            key=("drive_id", "started_ms"),
        )
    tx.run(f"DELETE FROM probes WHERE {where}", params)  # noqa: S608 -- constant text


def _whole(name: str, value: Value) -> Value:
    return float(round(value)) if name.endswith("_bytes_per_s") and isinstance(value, float) else value


def drop_readings(tx: Tx, drive_id: str, *, before_ms: int) -> None:
    """Drop the whole reading of a drive's old days of health; their columns stay."""
    tx.run(
        """UPDATE health_days SET reading = NULL
           WHERE drive_id = :drive_id AND day >= :after AND day < :before AND reading IS NOT NULL""",
        {
            "drive_id": drive_id,
            "after": (before_ms - _LOOKED_BACK_MS) // DAY_MS,
            "before": before_ms // DAY_MS,
        },
    )


def probes_not_judged(tx: Tx, drive_id: str) -> list[Row]:
    """Give the probes of a drive that came in since it was last looked at."""
    return tx.query(
        """SELECT * FROM probes WHERE drive_id = :drive_id AND fit_key IS NULL
           ORDER BY started_ms, probe_id""",
        {"drive_id": drive_id},
    )


def latest_soak(tx: Tx, drive_id: str) -> Row | None:
    """Give a drive's latest soak that ran to its end."""
    rows = tx.query(
        """SELECT * FROM probes WHERE drive_id = :drive_id AND kind <> 'spot' AND kind = 'soak'
             AND outcome = 'completed'
           ORDER BY started_ms DESC LIMIT 1""",
        {"drive_id": drive_id},
    )
    return rows[0] if rows else None


def latest_read_floor(tx: Tx, drive_id: str) -> float | None:
    """Give the mean rate of a drive's latest read probe [bytes/s]."""
    rows = tx.query(
        """SELECT mean_bytes_per_s FROM probes WHERE drive_id = :drive_id AND kind <> 'spot' AND kind = 'read'
             AND outcome = 'completed' ORDER BY started_ms DESC LIMIT 1""",
        {"drive_id": drive_id},
    )
    return rows[0]["mean_bytes_per_s"] if rows else None


def floors_since(tx: Tx, drive_id: str, *, since_ms: int) -> list[Row]:
    """Give when and how low a drive's spots and soaks were since an instant, oldest first."""
    params: dict[str, Value] = {"drive_id": drive_id, "since_ms": since_ms}
    older = tx.query(
        """SELECT started_ms, 'spot' AS kind, floor_bytes_per_s FROM old_spots
           WHERE drive_id = :drive_id AND started_ms >= :since_ms AND floor_bytes_per_s IS NOT NULL""",
        params,
    )
    newer = tx.query(
        """SELECT started_ms, kind, floor_bytes_per_s FROM probes
           WHERE drive_id = :drive_id AND started_ms >= :since_ms AND kind IN ('spot', 'soak')
             AND outcome = 'completed' AND floor_bytes_per_s IS NOT NULL
           ORDER BY started_ms, probe_id""",
        params,
    )
    return sorted([*older, *newer], key=lambda row: row["started_ms"])
