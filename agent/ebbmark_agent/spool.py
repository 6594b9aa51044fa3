"""Reports on disk until the collector has them: in order, bounded, and honest about what was let go.

1. A report is on the medium before `add` returns, with a sequence number that is never given twice.
2. The spool is bounded by rows and bytes. Over the bound it lets go of the oldest of the least important:
   status and routine health first, then takes, inventories, probes, health that tells of trouble. Findings
   are never let go.
3. What was let go is counted by kind and told in the next status; a status that is itself let go, or replaced
   by a newer one, hands its count on.
4. A report that the collector refuses is set aside with the reason and blocks nothing.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlite_utils import Database

from ebbmark_agent.database import AgentDatabase
from ebbmark_agent.report import (
    Assessment,
    Dropped,
    FindingBody,
    HealthBody,
    InventoryBody,
    ProbeBody,
    Report,
    StatusBody,
    TakeBody,
)
from ebbmark_agent.settings import SpoolSettings

NEVER_DROPPED = 9
MOST_SET_ASIDE = 1_000  # [1] refused reports kept for a person to look at; the oldest go first


@dataclass(frozen=True, kw_only=True)
class Waiting:
    """One report as it waits: its id and its JSON text."""

    sequence: int
    report_id: str
    kind: str
    body: str


@dataclass(frozen=True, kw_only=True)
class SetAside:
    """One refused report with the collector's reason."""

    report_id: str
    kind: str
    problem: str
    body: str


def importance(report: Report) -> int:
    """Give how long the spool holds on to a report: the higher, the longer.

    Args:
        report: The report.
    """
    match report.body:
        case FindingBody():
            return NEVER_DROPPED
        case ProbeBody():
            return 3
        case InventoryBody():
            return 2
        case TakeBody():
            return 1
        case HealthBody(reading=reading):
            trouble = reading.assessment is Assessment.FAILED or bool(reading.critical_warnings)
            return 4 if trouble else 0
        case StatusBody():
            return 0


class Spool:
    """The outbox of one agent."""

    def __init__(self, database: AgentDatabase, *, limits: SpoolSettings) -> None:
        """Take the database and the bounds."""
        self._database = database
        self._limits = limits

    def add(self, make: Callable[[int], Report]) -> Report:
        """Keep a report.

        Args:
            make: Makes the report, given its sequence number.

        Returns:
            The report, on disk.
        """
        with self._database.transaction() as db:
            report = make(_next_sequence(db))
            _insert(db, report)
            self._bound(db)
        return report

    def add_status(self, make: Callable[[int, tuple[Dropped, ...], int], Report]) -> Report:
        """Keep a status, which replaces one that still waits and takes along what was let go.

        Args:
            make: Makes the status, given its sequence number, the counts of what was let go since the last
                status, and how many refused reports lie set aside.

        Returns:
            The report, on disk.
        """
        with self._database.transaction() as db:
            for row in _rows(db, "SELECT sequence, kind, body FROM outbox WHERE kind = 'status'"):
                _let_go(db, row, counted=False)
            counts = tuple(
                Dropped(kind=kind, count=count)
                for kind, count in _rows(db, "SELECT kind, dropped FROM dropped ORDER BY kind")
            )
            db.execute("DELETE FROM dropped")
            report = make(_next_sequence(db), counts, _one(db, "SELECT count(*) FROM set_aside"))
            _insert(db, report)
            self._bound(db)
        return report

    def next_batch(self, *, most: int, most_bytes: int) -> tuple[Waiting, ...]:
        """Give the oldest reports, in order.

        Args:
            most: How many at most [1].
            most_bytes: How much text at most [bytes]; one report is always given.
        """
        batch: list[Waiting] = []
        size = 0
        with self._database.transaction() as db:
            rows = _rows(
                db,
                "SELECT sequence, report_id, kind, body, body_bytes FROM outbox ORDER BY sequence LIMIT ?",
                [most],
            )
        for sequence, report_id, kind, body, body_bytes in rows:
            size += body_bytes
            if batch and size > most_bytes:
                break
            batch.append(Waiting(sequence=sequence, report_id=report_id, kind=kind, body=body))
        return tuple(batch)

    def settle(self, *, delivered: Iterable[str], refused: Mapping[str, str], now: datetime) -> None:
        """Let go of what the collector has, and set aside what it refused.

        Args:
            delivered: Ids that it has.
            refused: Ids that it refused, each with the reason.
            now: The present instant.
        """
        with self._database.transaction() as db:
            for report_id in delivered:
                db.execute("DELETE FROM outbox WHERE report_id = ?", [report_id])
            for report_id, problem in refused.items():
                db.execute(
                    "INSERT OR REPLACE INTO set_aside "
                    "(report_id, sequence, kind, problem, set_aside_at, body) "
                    "SELECT report_id, sequence, kind, ?, ?, body FROM outbox WHERE report_id = ?",
                    [problem, now.isoformat(), report_id],
                )
                db.execute("DELETE FROM outbox WHERE report_id = ?", [report_id])
            db.execute(
                "DELETE FROM set_aside WHERE sequence NOT IN "
                "(SELECT sequence FROM set_aside ORDER BY sequence DESC LIMIT ?)",
                [MOST_SET_ASIDE],
            )

    def set_aside(self) -> tuple[SetAside, ...]:
        """Give the refused reports, oldest first."""
        with self._database.transaction() as db:
            rows = _rows(db, "SELECT report_id, kind, problem, body FROM set_aside ORDER BY sequence")
        return tuple(
            SetAside(report_id=report_id, kind=kind, problem=problem, body=body)
            for report_id, kind, problem, body in rows
        )

    def waiting(self) -> int:
        """Give how many reports wait [1]."""
        with self._database.transaction() as db:
            return _one(db, "SELECT count(*) FROM outbox")

    def _bound(self, db: Database) -> None:
        count, size = _rows(db, "SELECT count(*), coalesce(sum(body_bytes), 0) FROM outbox")[0]
        while count > self._limits.max_reports or size > self._limits.max_bytes:
            victims = _rows(
                db,
                "SELECT sequence, kind, body FROM outbox WHERE keep < ? ORDER BY keep, sequence LIMIT 1",
                [NEVER_DROPPED],
            )
            if not victims:
                return
            count, size = count - 1, size - len(victims[0][2].encode())
            _let_go(db, victims[0], counted=True)


def _rows(db: Database, sql: str, values: list[object] | None = None) -> list[tuple[Any, ...]]:
    return list(db.execute(sql, values or []).fetchall())


def _one(db: Database, sql: str) -> int:
    value = db.execute(sql).fetchone()[0]
    assert isinstance(value, int)
    return value


def _next_sequence(db: Database) -> int:
    db.execute(
        "INSERT INTO counter (name, value) VALUES ('sequence', 1) "
        "ON CONFLICT (name) DO UPDATE SET value = counter.value + 1"
    )
    return _one(db, "SELECT value FROM counter WHERE name = 'sequence'")


def _insert(db: Database, report: Report) -> None:
    body = report.model_dump_json(exclude_none=True)
    db.execute(
        "INSERT INTO outbox (sequence, report_id, kind, keep, body, body_bytes) VALUES (?, ?, ?, ?, ?, ?)",
        [report.sequence, report.report_id, report.body.kind, importance(report), body, len(body.encode())],
    )


def _let_go(db: Database, row: tuple[Any, ...], *, counted: bool) -> None:
    sequence, kind, body = row
    db.execute("DELETE FROM outbox WHERE sequence = ?", [sequence])
    if counted:
        _count_dropped(db, str(kind), 1)
    if kind == "status":
        status = Report.model_validate_json(str(body)).body
        assert isinstance(status, StatusBody)
        for earlier in status.dropped:
            _count_dropped(db, earlier.kind, earlier.count)


def _count_dropped(db: Database, kind: str, count: int) -> None:
    db.execute(
        "INSERT INTO dropped (kind, dropped) VALUES (?, ?) "
        "ON CONFLICT (kind) DO UPDATE SET dropped = dropped.dropped + excluded.dropped",
        [kind, count],
    )
