"""What is dropped when: routine reports after their days, never findings, soaks or an open alert's evidence.

Each part drops at most `CHUNK` rows in one short transaction and says how many; it is called until done.
"""

import json
import zlib
from collections.abc import Callable

from ebbmark_collector.settings import RetentionSettings
from ebbmark_collector.store.tx import Tx, Value

CHUNK = 500  # [1] rows of one transaction
DAY_MS = 86_400_000  # [ms]
_ROUTINE = "('health', 'status', 'inventory', 'take')"
Part = Callable[[Tx], int]


def _drop_routine(before_ms: int) -> Part:
    # Health lives on in its daily row; inventory and status live on in what they left on host and drive.
    def part(tx: Tx) -> int:
        rows = tx.query(
            f"""SELECT subject_id, made_ms, report_id FROM reports
                WHERE kind IN {_ROUTINE} AND made_ms < :before_ms LIMIT :chunk""",  # noqa: S608 -- constant list
            {"before_ms": before_ms, "chunk": CHUNK},
        )
        for row in rows:
            tx.run(
                """DELETE FROM reports WHERE subject_id = :subject_id AND made_ms = :made_ms
                     AND report_id = :report_id""",
                row,
            )
        return len(rows)

    return part


def _thin_spots(before_ms: int) -> Part:
    # A spot's figures say all the judge asks, so the standing is the same before and after.
    def part(tx: Tx) -> int:
        rows = tx.query(
            """SELECT p.drive_id, p.started_ms, p.probe_id, p.report_id, p.made_ms FROM probes p
               JOIN drives d ON d.drive_id = p.drive_id
               WHERE p.kind = 'spot' AND p.trace_kept = 1 AND p.started_ms < :before_ms AND d.open_alerts = 0
               LIMIT :chunk""",
            {"before_ms": before_ms, "chunk": CHUNK},
        )
        for row in rows:
            _thin_report(tx, row["drive_id"], row["made_ms"], row["report_id"])
            tx.run(
                """UPDATE probes SET trace_kept = 0 WHERE drive_id = :drive_id AND started_ms = :started_ms
                     AND probe_id = :probe_id""",
                {name: row[name] for name in ("drive_id", "started_ms", "probe_id")},
            )
        return len(rows)

    return part


def _thin_report(tx: Tx, subject_id: str, made_ms: int, report_id: str) -> None:
    params: dict[str, Value] = {"subject_id": subject_id, "made_ms": made_ms, "report_id": report_id}
    where = "WHERE subject_id = :subject_id AND made_ms = :made_ms AND report_id = :report_id"
    rows = tx.query(f"SELECT document FROM reports {where}", params)  # noqa: S608 -- constant text
    if not rows:
        return
    document = json.loads(zlib.decompress(rows[0]["document"]))
    document["body"]["result"]["trace"] = []
    blob = zlib.compress(json.dumps(document, separators=(",", ":")).encode(), 6)
    sql = f"UPDATE reports SET document = :document, thinned = 1 {where}"  # noqa: S608 -- constant text
    tx.run(sql, {**params, "document": blob})


def _drop(sql: str, before_ms: int) -> Part:
    def part(tx: Tx) -> int:
        return tx.run(sql, {"before_ms": before_ms, "chunk": CHUNK})

    return part


def parts(settings: RetentionSettings, now_ms: int) -> list[Part]:
    """Give the parts of one retention round.

    Args:
        settings: How long what is kept.
        now_ms: The instant [ms].
    """
    return [
        _drop_routine(now_ms - settings.health_days * DAY_MS),
        _thin_spots(now_ms - settings.spot_trace_days * DAY_MS),
        _drop(
            """DELETE FROM takes WHERE (drive_id, started_ms, take_id) IN (
                 SELECT drive_id, started_ms, take_id FROM takes
                 WHERE started_ms < :before_ms LIMIT :chunk)""",
            now_ms - settings.take_days * DAY_MS,
        ),
        _drop(
            """DELETE FROM report_ids WHERE report_id IN (
                 SELECT i.report_id FROM report_ids i
                 LEFT JOIN reports r ON r.subject_id = i.subject_id AND r.made_ms = i.made_ms
                   AND r.report_id = i.report_id
                 WHERE i.received_ms < :before_ms AND r.report_id IS NULL LIMIT :chunk)""",
            now_ms - settings.report_id_days * DAY_MS,
        ),
        _drop(
            """DELETE FROM idempotency WHERE (token_id, idempotency_key) IN (
                 SELECT token_id, idempotency_key FROM idempotency
                 WHERE started_ms < :before_ms LIMIT :chunk)""",
            now_ms - DAY_MS,
        ),
    ]
