"""The tables, once for both engines: forward-only steps in `steps/` that each only add.

`{I} {F} {T} {B}` are integer, float, text and bytes; `{TABLE}` ends a table, `{KEYED}` one stored by its
key, which suits short rows only, `{MONTHLY}` one that PostgreSQL keeps in a part a month. Text sorts by code
point on both engines, so pages and their cursors are the same on both.
"""

from importlib import resources
from typing import Any

import sqlite_utils
from sqlite_utils import Migrations

SQLITE = {
    "I": "INTEGER",
    "F": "REAL",
    "T": "TEXT",
    "B": "BLOB",
    "TABLE": "STRICT",
    "KEYED": "STRICT, WITHOUT ROWID",
    "MONTHLY": "STRICT",
    # Without counts it reads every probe of a drive where an index names the few that are asked for. These
    # are about what drives of two years have: rows, rows a drive, rows a drive and instant. Kept counts spare
    # a run of ANALYZE over everything; the table for them comes with the first run, here over a small one.
    "COUNTS": "ANALYZE leases;\n"
    "INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES ('probes', 'probes', '1000000 700 1 1'),"
    " ('probes', 'probes_to_judge', '100 1'), ('probes', 'probes_not_spots', '30000 30 1');\n"
    "ANALYZE sqlite_schema",
    "DRIVE_LISTS": "CREATE INDEX drives_by_seen ON drives (last_seen_ms, drive_id);\n"
    "CREATE INDEX drives_searched ON drives (host_id, label, asset_tag, model, serial, place, drive_id)",
}
POSTGRES = {
    "I": "BIGINT",
    "F": "DOUBLE PRECISION",
    "T": 'TEXT COLLATE "C"',
    "B": "BYTEA",
    "TABLE": "",
    "KEYED": "",
    # Months become partitions as they come, see partitions.py; what has none yet is in the rest.
    "MONTHLY": "PARTITION BY RANGE (made_ms);\nCREATE TABLE reports_rest PARTITION OF reports DEFAULT",
    "COUNTS": "",  # it counts by itself
    # It keeps longer texts beside the rows, so looking at all is cheap. An index of when drives were seen
    # would be written by each report, and one of texts takes no more than a third of a page a row.
    "DRIVE_LISTS": "",
}

NAMES = (
    "0001_hosts",
    "0002_drives",
    "0003_reports",
    "0004_probes",
    "0005_judgement",
    "0006_rules",
    "0007_access",
    "0008_outbox",
    "0009_plans",
    "0010_alert_pages",
    "0011_soaks",
    "0012_drive_pages",
)


def _text(name: str) -> str:
    return (resources.files(__package__) / "steps" / f"{name}.sql").read_text(encoding="utf-8")


STEPS: tuple[tuple[str, str], ...] = tuple((name, _text(name)) for name in NAMES)


def statements(text: str, words: dict[str, str]) -> list[str]:
    """Give a step's statements with the engine's words put in."""
    for mark, word in words.items():
        text = text.replace(f"{{{mark}}}", word)
    return [part.strip() for part in text.split(";\n") if part.strip()]


def sqlite_steps() -> Migrations:
    """Give the steps as sqlite-utils migrations, to be applied inside one BEGIN IMMEDIATE."""
    migrations = Migrations("ebbmark")
    for name, text in STEPS:

        def step(db: sqlite_utils.Database, text: str = text) -> None:
            for statement in statements(text, SQLITE):
                db.execute(statement)

        register: Any = migrations(name=name)
        register(step)
    return migrations
