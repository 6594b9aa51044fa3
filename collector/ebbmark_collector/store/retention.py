"""What is dropped when: routine reports after their days, never findings, soaks or an open alert's evidence.

Each step is of one drive, host or spot, or of a few answers, so that a round may let others go between any
two. Run twice, it does no harm. Nothing reads all history: a subject's goes from its oldest row, old spots
along an index.
"""

from ebbmark_collector.settings import RetentionSettings
from ebbmark_collector.store import evidence, reports
from ebbmark_collector.store.tx import Row, Tx

DAY_MS = 86_400_000  # [ms]
_FOLD_AFTER_DAYS = 1  # [days] late reports have mostly come in by then; a later one is folded in
_READING_DAYS = 420  # [days] the judge looks 400 back; then a day keeps its columns
_ROUTINE = ("health", "status", "inventory", "take")
_SPOTS_A_ROUND = 20_000  # [1]
_ANSWERS_TOGETHER = 100  # [1]


def subjects(tx: Tx) -> list[str]:
    """Give the ids of all drives and hosts."""
    return [
        row["id"] for row in tx.query("SELECT drive_id AS id FROM drives UNION ALL SELECT host_id FROM hosts")
    ]


def keep_subject(tx: Tx, settings: RetentionSettings, now_ms: int, subject_id: str) -> None:
    """Fold, thin and drop what is past its days of one drive or host.

    Health lives on in its daily row; inventory and status live on in what they left on host and drive.

    Args:
        tx: The transaction.
        settings: How long what is kept.
        now_ms: The instant [ms].
        subject_id: Whose.
    """
    keep_ms = now_ms - settings.health_days * DAY_MS
    reports.drop_days(tx, subject_id, before_ms=keep_ms)
    evidence.make_points(tx, subject_id, before_ms=now_ms - settings.spot_figures_days * DAY_MS)
    evidence.drop_readings(tx, subject_id, before_ms=now_ms - _READING_DAYS * DAY_MS)
    reports.drop_reports(tx, subject_id, kinds=_ROUTINE, before_ms=keep_ms)
    reports.fold_days(tx, subject_id, before_ms=now_ms - _FOLD_AFTER_DAYS * DAY_MS)
    tx.run(
        "DELETE FROM takes WHERE drive_id = :id AND started_ms < :before_ms",
        {"id": subject_id, "before_ms": now_ms - settings.take_days * DAY_MS},
    )


def spots_to_thin(tx: Tx, settings: RetentionSettings, now_ms: int) -> list[Row]:
    """Give the spots whose trace is past its days, of drives without an open alert.

    A spot's figures say all the judge asks, so the standing is the same before and after.
    """
    return tx.query(
        """SELECT p.drive_id, p.started_ms, p.probe_id, p.report_id, p.made_ms FROM probes p
           JOIN drives d ON d.drive_id = p.drive_id
           WHERE p.kind = 'spot' AND p.trace_kept = 1 AND p.started_ms < :before_ms AND d.open_alerts = 0
           ORDER BY p.started_ms LIMIT :most""",
        {"before_ms": now_ms - settings.spot_trace_days * DAY_MS, "most": _SPOTS_A_ROUND},
    )


def thin_spot(tx: Tx, spot: Row) -> None:
    """Drop a spot's trace, unless its drive was given an alert or the spot went to another drive since."""
    thinned = tx.run(
        """UPDATE probes SET trace_kept = 0, report_id = ''
           WHERE drive_id = :drive_id AND started_ms = :started_ms AND probe_id = :probe_id AND trace_kept = 1
             AND (SELECT open_alerts FROM drives WHERE drive_id = :drive_id) = 0""",
        {name: spot[name] for name in ("drive_id", "started_ms", "probe_id")},
    )
    if thinned:
        reports.drop_one(tx, spot["drive_id"], spot["made_ms"], spot["report_id"])


def drop_answers(tx: Tx, now_ms: int) -> bool:
    """Drop some answers kept for callers who ask twice; true where more are left."""
    touched = tx.run(
        """DELETE FROM idempotency WHERE (token_id, idempotency_key) IN (
             SELECT token_id, idempotency_key FROM idempotency WHERE started_ms < :before_ms LIMIT :most)""",
        {"before_ms": now_ms - DAY_MS, "most": _ANSWERS_TOGETHER},
    )
    return touched == _ANSWERS_TOGETHER
