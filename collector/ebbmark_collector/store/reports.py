"""Reports as received: each kept once, compressed, beside the id that makes a repeat harmless.

1. Lists never read this table; what they show stands in columns of its own, written when a report came in.
2. Health comes hourly and hardly differs: after a day or two a drive's day of it is folded into one row.
3. An id is known for as long as its report is kept, a folded one within its day. After that the keys of what
   a report left make a repeat harmless.
"""

import json
from collections.abc import Sequence

from ebbmark_collector.store.packing import pack, unpack
from ebbmark_collector.store.tx import MOST_MARKS, Row, Tx, Value, marks_for

__all__ = [
    "drop_days",
    "drop_one",
    "drop_reports",
    "fold_days",
    "is_folded",
    "keep",
    "known",
    "report",
    "unpack",
]

DAY_MS = 86_400_000  # [ms]
_BETWEEN = b"\x00"  # no JSON text holds it: a control character must be escaped, RFC 8259, section 7


def known(tx: Tx, report_ids: Sequence[str]) -> dict[str, str]:
    """Give those of the reports that came before, each with the host that sent it."""
    found: dict[str, str] = {}
    for first in range(0, len(report_ids), MOST_MARKS):
        marks, params = marks_for(report_ids[first : first + MOST_MARKS])
        rows = tx.query(
            f"""SELECT i.report_id, r.host_id FROM report_ids i JOIN reports r
                  ON r.subject_id = i.subject_id AND r.made_ms = i.made_ms AND r.report_id = i.report_id
                WHERE i.report_id IN ({marks})""",  # noqa: S608 -- marks only
            params,
        )
        found |= {row["report_id"]: row["host_id"] for row in rows}
    return found


def is_folded(tx: Tx, subject_id: str, *, made_ms: int, report_id: str) -> str | None:
    """Give the host that sent this report, if it is one of the subject's day that was folded."""
    return _from_day(tx, subject_id, made_ms, report_id)


_ID_COLUMNS = ("report_id", "subject_id", "made_ms")
_COLUMNS = (
    *("subject_id", "made_ms", "report_id", "kind", "host_id", "received_ms", "sequence", "wire_version"),
)


def keep(tx: Tx, rows: Sequence[Row]) -> None:
    """Keep reports as received.

    Args:
        tx: A writing transaction.
        rows: Each with every column of a report, its document unpacked.

    Raises:
        Conflict: When an id is known; ask `known` first in the same transaction.
    """
    if not rows:
        return
    tx.insert_many("report_ids", _ID_COLUMNS, [tuple(row[name] for name in _ID_COLUMNS) for row in rows])
    tx.insert_many(
        "reports",
        (*_COLUMNS, "document"),
        [(*(row[name] for name in _COLUMNS), pack(bytes(row["document"]))) for row in rows],
    )


def report(tx: Tx, report_id: str) -> Row | None:
    """Give a kept report with its document unpacked, or None once it is folded or past its retention."""
    known = tx.query(
        "SELECT subject_id, made_ms FROM report_ids WHERE report_id = :report_id", {"report_id": report_id}
    )
    if not known:
        return None
    rows = tx.query(
        """SELECT * FROM reports WHERE subject_id = :subject_id AND made_ms = :made_ms
             AND report_id = :report_id""",
        {**known[0], "report_id": report_id},
    )
    if not rows:
        return None
    return {**rows[0], "document": unpack(rows[0]["document"])}


def _from_day(tx: Tx, subject_id: str, made_ms: int, report_id: str) -> str | None:
    rows = tx.query(
        "SELECT documents FROM report_days WHERE subject_id = :subject_id AND day = :day",
        {"subject_id": subject_id, "day": made_ms // DAY_MS},
    )
    mark = report_id.encode()
    for document in (one for row in rows for one in unpack(row["documents"]).split(_BETWEEN)):
        if mark in document:
            value = json.loads(document)
            if value["report_id"] == report_id:
                return str(value["host_id"])
    return None


def fold_days(tx: Tx, subject_id: str, *, before_ms: int) -> int:
    """Fold a subject's health reports of whole days before an instant into one row a day.

    Args:
        tx: A writing transaction.
        subject_id: The subject.
        before_ms: Days that ended by then are folded [ms].

    Returns:
        How many reports were folded [1].
    """
    rows = tx.query(
        """SELECT * FROM reports WHERE subject_id = :subject_id AND made_ms < :before_ms AND kind = 'health'
             AND received_ms < :before_ms ORDER BY made_ms, report_id""",
        {"subject_id": subject_id, "before_ms": before_ms // DAY_MS * DAY_MS},
    )
    days: dict[int, list[Row]] = {}
    for row in rows:
        days.setdefault(row["made_ms"] // DAY_MS, []).append(row)
    for day, of_day in days.items():
        _fold(tx, subject_id, day, of_day)
    _delete(tx, subject_id, rows)
    return len(rows)


def _fold(tx: Tx, subject_id: str, day: int, rows: list[Row]) -> None:
    params: dict[str, Value] = {"subject_id": subject_id, "day": day}
    there = tx.query(
        "SELECT documents FROM report_days WHERE subject_id = :subject_id AND day = :day", params
    )
    folded = [unpack(there[0]["documents"])] if there else []
    folded += [unpack(row["document"]) for row in rows]
    documents = pack(_BETWEEN.join(folded))
    tx.insert_many(
        "report_days",
        ("subject_id", "day", "documents"),
        [(subject_id, day, documents)],
        key=("subject_id", "day"),
        update=("documents",),
    )


def drop_days(tx: Tx, subject_id: str, *, before_ms: int) -> None:
    """Drop a subject's folded days that ended before an instant [ms]."""
    tx.run(
        "DELETE FROM report_days WHERE subject_id = :subject_id AND day < :day",
        {"subject_id": subject_id, "day": before_ms // DAY_MS},
    )


def drop_reports(tx: Tx, subject_id: str, *, kinds: tuple[str, ...], before_ms: int) -> None:
    """Drop a subject's reports of some kinds, with their ids, that were made and came in before an instant.

    Args:
        tx: A writing transaction.
        subject_id: The subject.
        kinds: Which.
        before_ms: The instant [ms].
    """
    marks = ", ".join(f":k{i}" for i in range(len(kinds)))
    rows = tx.query(
        f"""SELECT made_ms, report_id FROM reports WHERE subject_id = :subject_id AND made_ms < :before_ms
              AND received_ms < :before_ms AND kind IN ({marks})""",  # noqa: S608 -- marks only
        {
            "subject_id": subject_id,
            "before_ms": before_ms,
            **{f"k{i}": kind for i, kind in enumerate(kinds)},
        },
    )
    _delete(tx, subject_id, rows)


def drop_one(tx: Tx, subject_id: str, made_ms: int, report_id: str) -> None:
    """Drop one report and its id."""
    _delete(tx, subject_id, [{"made_ms": made_ms, "report_id": report_id}])


def _delete(tx: Tx, subject_id: str, rows: list[Row]) -> None:
    for row in rows:
        key: dict[str, Value] = {
            "subject_id": subject_id,
            "made_ms": row["made_ms"],
            "report_id": row["report_id"],
        }
        tx.run(
            """DELETE FROM reports WHERE subject_id = :subject_id AND made_ms = :made_ms
                 AND report_id = :report_id""",
            key,
        )
        tx.run("DELETE FROM report_ids WHERE report_id = :id", {"id": row["report_id"]})
