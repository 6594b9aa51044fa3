"""Reports as received: each kept once, compressed, beside the id that makes a repeat harmless."""

import zlib

from ebbmark_collector.store.tx import Row, Tx, Value

_LEVEL = 6  # [1] zlib's own default: a report is a kilobyte, so the level hardly matters


def is_known(tx: Tx, report_id: str) -> str | None:
    """Give the host that sent this report before, or None."""
    rows = tx.query("SELECT host_id FROM report_ids WHERE report_id = :report_id", {"report_id": report_id})
    return rows[0]["host_id"] if rows else None


def keep(
    tx: Tx,
    *,
    report_id: str,
    host_id: str,
    subject_id: str,
    kind: str,
    made_ms: int,
    received_ms: int,
    sequence: int,
    wire_version: int,
    document: bytes,
) -> None:
    """Keep a report as received.

    Raises:
        Conflict: When the id is known; ask `is_known` first in the same transaction.
    """
    params: dict[str, Value] = {
        "report_id": report_id,
        "host_id": host_id,
        "subject_id": subject_id,
        "made_ms": made_ms,
        "received_ms": received_ms,
    }
    tx.run(
        """INSERT INTO report_ids (report_id, host_id, subject_id, made_ms, received_ms)
           VALUES (:report_id, :host_id, :subject_id, :made_ms, :received_ms)""",
        params,
    )
    tx.run(
        """INSERT INTO reports (subject_id, made_ms, report_id, kind, host_id, received_ms, sequence,
                                wire_version, document)
           VALUES (:subject_id, :made_ms, :report_id, :kind, :host_id, :received_ms, :sequence,
                   :wire_version, :document)""",
        {
            **params,
            "kind": kind,
            "sequence": sequence,
            "wire_version": wire_version,
            "document": zlib.compress(document, _LEVEL),
        },
    )


def unpack(blob: bytes) -> bytes:
    """Give a kept document's bytes."""
    return zlib.decompress(blob)


def report(tx: Tx, report_id: str) -> Row | None:
    """Give a kept report with its document unpacked, or None once its retention is over."""
    rows = tx.query(
        """SELECT r.* FROM report_ids i JOIN reports r
             ON r.subject_id = i.subject_id AND r.made_ms = i.made_ms AND r.report_id = i.report_id
           WHERE i.report_id = :report_id""",
        {"report_id": report_id},
    )
    if not rows:
        return None
    return {**rows[0], "document": unpack(rows[0]["document"])}
