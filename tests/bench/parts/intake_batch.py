"""Intake, 50 reports a request: reports a second beside plain sqlite3 committing the same rows one by one.

The rows are those the intake left: one transaction a report with its row, its id and its day or probe, on the
same disk, WAL and synchronous FULL, from bytes that are ready. Plain sqlite3 validates and judges nothing.
"""

import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ebbmark_collector.store.opening import DATABASE
from ebbmark_collector.store.schema import SQLITE, STEPS, statements

from tests.bench import serving
from tests.bench.load import Load, play_apart
from tests.bench.results import result
from tests.bench.scale import SCALE
from tests.bench.simulated import invent_hosts

REPORTS = 50  # [1] a request
ROWS = 3_000  # [1] committed by the reference in one run, at most
LONGEST_S = 5.0  # [s] of one run of the reference: a disk whose sync is slow commits fewer
COMMAND = "make bench ONLY=intake_batch"


def run() -> list[dict[str, Any]]:
    """Measure the two in turn."""
    ratios, rates, plain = [], [], []
    now = datetime.now(UTC)
    with serving.folder() as place:
        machines, _ = serving.prepare(place / "data", invent_hosts(64, 2), now)
        with serving.collector(place / "data") as (_, address):
            load = Load(
                address=address,
                machines=tuple(machines),
                seconds=SCALE.seconds,
                connections=8,
                reports=REPORTS,
            )
            play_apart(replace(load, seconds=1.0))
            for number in range(SCALE.runs):
                taken = play_apart(replace(load, first_hour=(number + 1) * 1_000_000))
                rates.append(taken.reports / taken.took_s)
                plain.append(_plain(place, number))
                ratios.append(rates[-1] / plain[-1])
    note = (
        "The mix of 24 health reports to one spot, over HTTP, validated, judged, durable. The reference "
        "commits each report's rows by themselves, synchronous FULL, without reading or judging them."
    )
    return [
        result(
            "intake_batch.over_plain_sqlite", ratios, unit="ratio", bar=">= 0.5", command=COMMAND, note=note
        ),
        result(
            "intake_batch.reports_per_s",
            rates,
            unit="1/s",
            bar=None,
            command=COMMAND,
            note="limited by one interpreter lock: reading a spot's figures and judging its drive",
        ),
        result(
            "intake_batch.plain_commits_per_s",
            plain,
            unit="1/s",
            bar=None,
            command=COMMAND,
            note="the reference: one commit a report; the disk's sync is its limit",
        ),
    ]


def _plain(place: Path, number: int) -> float:
    with closing(sqlite3.connect(f"file:{place / 'data' / DATABASE}?mode=ro", uri=True)) as source:
        source.row_factory = sqlite3.Row
        reports = source.execute(
            "SELECT * FROM reports WHERE kind IN ('health', 'probe') ORDER BY rowid DESC LIMIT ?", (ROWS,)
        ).fetchall()
        groups = [_rows_of(source, report) for report in reports]
    path = place / f"plain-{number}.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as target:
        target.execute("PRAGMA journal_mode=WAL")
        target.execute("PRAGMA synchronous=FULL")
        for _, text in STEPS:
            for statement in statements(text, SQLITE):
                target.execute(statement)
        started = time.perf_counter()
        committed = 0
        for group in groups:
            target.execute("BEGIN IMMEDIATE")
            for sql, values in group:
                target.execute(sql, values)
            target.execute("COMMIT")
            committed += 1
            if time.perf_counter() - started > LONGEST_S:
                break
        took_s = time.perf_counter() - started
    path.unlink()
    return committed / took_s


def _rows_of(source: sqlite3.Connection, report: sqlite3.Row) -> list[tuple[str, tuple[Any, ...]]]:
    rows = [
        ("reports", report),
        (
            "report_ids",
            source.execute("SELECT * FROM report_ids WHERE report_id = ?", (report["report_id"],)).fetchone(),
        ),
    ]
    if report["kind"] == "health":
        day = (report["subject_id"], report["made_ms"] // 86_400_000)
        found = source.execute("SELECT * FROM health_days WHERE drive_id = ? AND day = ?", day).fetchone()
        rows.append(("health_days", found))
    else:
        found = source.execute(
            "SELECT * FROM probes WHERE drive_id = ? AND report_id = ?",
            (report["subject_id"], report["report_id"]),
        ).fetchone()
        rows.append(("probes", found))
    return [_insert(table, row) for table, row in rows if row is not None]


def _insert(table: str, row: sqlite3.Row) -> tuple[str, tuple[Any, ...]]:
    marks = ", ".join("?" for _ in row)
    return f"INSERT OR REPLACE INTO {table} ({', '.join(row.keys())}) VALUES ({marks})", tuple(row)
