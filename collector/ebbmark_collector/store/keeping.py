"""Backup, verified restore, and moving a SQLite database to PostgreSQL, every table counted and compared."""

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from ebbmark_collector.errors import ConfigurationError, Corrupt, StoreError
from ebbmark_collector.store import soundness
from ebbmark_collector.store.schema import STEPS
from ebbmark_collector.store.sqlite import SqliteStore
from ebbmark_collector.store.tx import Row, Store, Tx, Value

_PAGES_A_STEP = 2_000  # [1] copied before writers get their turn
_ROWS_A_STEP = 1_000  # [1]


def back_up(source: Path, target: Path) -> int:
    """Copy a database while it is in use, check the copy, and put it in place as a whole.

    Args:
        source: The database.
        target: The copy; must not exist.

    Returns:
        The copy's size [bytes].

    Raises:
        ConfigurationError: When the source is missing or the target exists or cannot be written.
        Corrupt: When the copy does not pass SQLite's own check.
    """
    if not source.exists():
        raise ConfigurationError([f"There is no database at {source}."])
    if target.exists():
        raise ConfigurationError([f"{target} exists already; a backup never overwrites one."])
    part = target.with_name(target.name + ".part")
    try:
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_CREAT | os.O_WRONLY, 0o600))
        with closing(sqlite3.connect(source, timeout=30)) as origin, closing(sqlite3.connect(part)) as copy:
            origin.backup(copy, pages=_PAGES_A_STEP, sleep=0.01)
            copy.execute("PRAGMA journal_mode=DELETE")
        verify(part)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.replace(target)
    except OSError as error:
        raise ConfigurationError([f"{target} cannot be written: {error.strerror}."]) from error
    except sqlite3.Error as error:
        raise StoreError(f"The backup of {source} failed: {error}.") from error
    return target.stat().st_size


def verify(path: Path) -> None:
    """Check a database file: whole, and of a version this collector knows.

    Raises:
        Corrupt: When it is damaged or is no such database.
        ConfigurationError: When a newer collector made it.
    """
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as conn:
            found = [row[0] for row in conn.execute("PRAGMA integrity_check").fetchall()]
            if found != ["ok"]:
                raise Corrupt(f"{path} is damaged: {found[0]}. Use an earlier backup.")
            steps = {row[0] for row in conn.execute("SELECT name FROM _sqlite_migrations").fetchall()}
    except sqlite3.Error as error:
        raise Corrupt(f"{path} is not a collector's database: {error}.") from error
    unknown = steps - {name for name, _ in STEPS}
    if unknown:
        raise ConfigurationError(
            [f"{path} was made by a newer collector (it has {min(unknown)}). Upgrade this one first."]
        )


def steps_in(path: Path) -> set[str]:
    """Give the steps of the schema that a database has; none for a new or an unreadable one."""
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=10)) as conn:
            return {str(row[0]) for row in conn.execute("SELECT name FROM _sqlite_migrations").fetchall()}
    except sqlite3.Error:
        return set()  # whoever opens it next says what is wrong with it


def restore(backup: Path, database: Path, *, replace: bool) -> None:
    """Put a verified backup in the place of a database; the one before is kept beside it.

    Raises:
        ConfigurationError: When a database is there and may not be replaced, or is in use.
        Corrupt: When the backup is damaged.
    """
    if not backup.exists():
        raise ConfigurationError([f"There is no backup at {backup}."])
    verify(backup)
    if database.exists() and not replace:
        raise ConfigurationError([f"{database} exists; say --replace to set it aside and restore over it."])
    database.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    if database.exists():
        _set_aside(database)
    part = database.with_name(database.name + ".part")
    part.write_bytes(backup.read_bytes())
    part.chmod(0o600)
    verify(part)
    part.replace(database)
    soundness.forget(database)
    SqliteStore(database).close()


def _set_aside(database: Path) -> None:
    try:
        with closing(sqlite3.connect(database, timeout=1, isolation_level=None)) as conn:
            conn.execute("PRAGMA locking_mode=EXCLUSIVE")
            conn.execute("BEGIN EXCLUSIVE")
            conn.execute("ROLLBACK")
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise ConfigurationError([f"{database} is in use; stop the collector first."]) from error
    except sqlite3.DatabaseError:
        pass  # a damaged one is what a restore is for
    for suffix in ("", "-wal", "-shm"):
        file = database.with_name(database.name + suffix)
        if file.exists():
            file.replace(database.with_name(f"{database.name}.before-restore{suffix}"))


def tables(tx: Tx) -> list[str]:
    """Give the collector's tables in a SQLite database, those that are referred to first."""
    rows = tx.query("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY rowid")
    return [row["name"] for row in rows if not row["name"].startswith(("sqlite_", "_sqlite"))]


def key_of(tx: Tx, table: str) -> tuple[str, ...]:
    """Give the columns of a table's key, in a SQLite database."""
    rows = [row for row in tx.query(f"PRAGMA table_info({table})") if row["pk"]]
    return tuple(row["name"] for row in sorted(rows, key=lambda row: row["pk"]))


def _pages(tx: Tx, table: str, key: tuple[str, ...]) -> Iterator[list[Row]]:
    names = ", ".join(key)
    marks = ", ".join(f":k{i}" for i in range(len(key)))
    last: dict[str, Value] = {}
    while True:
        beyond = f"WHERE ({names}) > ({marks})" if last else ""
        rows = tx.query(
            f"SELECT * FROM {table} {beyond} ORDER BY {names} LIMIT {_ROWS_A_STEP}",  # noqa: S608 -- schema names
            last,
        )
        if not rows:
            return
        yield rows
        last = {f"k{i}": rows[-1][name] for i, name in enumerate(key)}


def fingerprint(tx: Tx, table: str, key: tuple[str, ...]) -> tuple[int, str]:
    """Count a table's rows and sum them up, a page at a time.

    Returns:
        How many rows, and a digest that is the same for the same rows on either engine.
    """
    count, digest = 0, hashlib.sha256()
    for rows in _pages(tx, table, key):
        for row in rows:
            digest.update(repr([(name, _told(row[name])) for name in sorted(row)]).encode())
        count += len(rows)
    return count, digest.hexdigest()


def _told(value: Value) -> str:
    if isinstance(value, bytes):
        return hashlib.sha256(value).hexdigest()
    # 3 and 3.0 are one number in a float column of either engine.
    return repr(float(value)) if isinstance(value, float) else repr(value)


def move(source: Store, target: Store) -> dict[str, int]:
    """Copy every table of a SQLite database into an empty PostgreSQL one, and compare what arrived.

    Returns:
        Rows by table [1].

    Raises:
        ConfigurationError: When the target holds anything already.
        StoreError: When what arrived differs from what was sent; the target is left empty.
    """
    with source.tx() as origin:
        names = tables(origin)
        with target.tx(write=True) as arrival:
            for table in names:
                if table != "leases" and arrival.query(f"SELECT 1 AS one FROM {table} LIMIT 1"):  # noqa: S608
                    raise ConfigurationError(
                        [f"The target holds rows in {table} already; move into an empty one."]
                    )
            moved = {}
            for table in names:
                key = key_of(origin, table)
                for rows in _pages(origin, table, key):
                    columns = tuple(rows[0])
                    arrival.insert_many(table, columns, [tuple(row[c] for c in columns) for row in rows])
                sent, arrived = fingerprint(origin, table, key), fingerprint(arrival, table, key)
                if sent != arrived:
                    raise StoreError(
                        f"{table}: {sent[0]} rows sent, {arrived[0]} came, or they differ. Nothing was kept."
                    )
                moved[table] = sent[0]
            return moved
