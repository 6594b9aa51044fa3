"""Whether the SQLite file is whole, looked at by night: a damaged page is said before a backup is needed.

1. It reads the structure of every table and index once (`PRAGMA quick_check`), table by table, so that
   writers and the write-ahead log never wait long for it. A flipped bit inside a value is not seen by that.
2. What was found lies in a file beside the database: it must be said although the database is damaged, to
   every worker, and after a restart. A later check that finds nothing, and a restore, take it away.

Source: SQLite documentation, PRAGMA quick_check, https://www.sqlite.org/pragma.html
"""

import json
import sqlite3
import threading
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

from ebbmark_collector.errors import StoreError
from ebbmark_collector.store.sqlite import SqliteStore
from ebbmark_collector.store.tx import Store, Tx, from_ms, to_ms

EVERY = timedelta(hours=20)  # by night, once
AT_LATEST = timedelta(hours=48)  # a machine that is off by night is looked at by day
NIGHT = range(1, 5)  # [h] of local time
_MARK = "last_soundness_check"


def _mark_path(database: Path) -> Path:
    return database.with_name(f"{database.name}.damaged")


def fault_of(store: Store) -> str | None:
    """Give what the last check found wrong with the database; None if nothing."""
    if not isinstance(store, SqliteStore):
        return None
    try:
        return _mark_path(store.path).read_text(encoding="utf-8") or None
    except FileNotFoundError:
        return None


def forget(database: Path) -> None:
    """Take away what was found: another file is in the database's place, or it is sound again."""
    _mark_path(database).unlink(missing_ok=True)


def is_due(store: Store, now: datetime) -> bool:
    """Tell whether the file should be looked at: by night once, at any hour if not for two days."""
    if not isinstance(store, SqliteStore):
        return False
    last = store.read(_last)
    if last is None:
        return now.astimezone().hour in NIGHT
    return now - last >= AT_LATEST or (now - last >= EVERY and now.astimezone().hour in NIGHT)


def _last(tx: Tx) -> datetime | None:
    rows = tx.query("SELECT value_json FROM settings WHERE name = :name", {"name": _MARK})
    return from_ms(int(json.loads(rows[0]["value_json"]))) if rows else None


def _note(tx: Tx, now: datetime) -> None:
    tx.run(
        """INSERT INTO settings (name, value_json) VALUES (:name, :value)
           ON CONFLICT (name) DO UPDATE SET value_json = excluded.value_json, rev = settings.rev + 1""",
        {"name": _MARK, "value": json.dumps(to_ms(now))},
    )


def check(store: Store, now: datetime, stopping: threading.Event) -> str | None:
    """Look at the whole file, and keep what was found where `fault_of` reads it.

    Args:
        store: The store; on PostgreSQL nothing is done.
        now: The instant.
        stopping: Cuts the check short; it is then due again.

    Returns:
        A sentence when the file is damaged, else None.

    Raises:
        StoreError: When it could not be looked at, or that it was cannot be noted.
    """
    if not isinstance(store, SqliteStore):
        return None
    found = _first_fault(store.path, stopping)
    if stopping.is_set():
        return None
    if found is None:
        forget(store.path)
    else:
        found = f"{store.path} is damaged ({found}). Stop the collector and restore the last good backup."
        _mark_path(store.path).write_text(found, encoding="utf-8")
    store.write(lambda tx: _note(tx, now))
    return found


def _first_fault(path: Path, stopping: threading.Event) -> str | None:
    over = threading.Event()
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, check_same_thread=False)) as conn:

        def interrupt() -> None:
            while not over.wait(0.2):
                if stopping.is_set():
                    conn.interrupt()

        watch = threading.Thread(target=interrupt, daemon=True)
        watch.start()
        try:
            return _look(conn, stopping)
        except (
            sqlite3.OperationalError
        ) as error:  # held, or not to be opened: that tells nothing of its pages
            if stopping.is_set():
                return None
            raise StoreError(f"{path} could not be looked at ({error}); it is tried again.") from error
        except sqlite3.DatabaseError as error:
            return str(error)
        finally:
            over.set()
            watch.join(timeout=5)


def _look(conn: sqlite3.Connection, stopping: threading.Event) -> str | None:
    tables = [
        str(row[0]) for row in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
    ]
    for table in tables:
        if stopping.is_set():
            return None
        rows = conn.execute(f"PRAGMA quick_check('{table}')").fetchall()
        if rows != [("ok",)]:
            return str(rows[0][0]).replace("\n", " ")[:300]
    return None
