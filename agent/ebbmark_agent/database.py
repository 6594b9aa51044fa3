"""The agent's one SQLite file: how it is opened, how a transaction is made, which tables it has.

Every commit is on the medium before it counts (WAL with synchronous FULL), every writer begins with
`BEGIN IMMEDIATE`, and tables come from migrations only. Each thread has its own connection.
"""

import sqlite3
import threading
import weakref
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlite_utils import Database, Migrations

from ebbmark_agent.errors import StateDamagedError, StateUnusableError

BUSY_TIMEOUT_S = 30.0  # [s] another process of this agent holds a lock for milliseconds only

migrations = Migrations("ebbmark_agent")


@migrations(name="0001_spool_and_memory")
def _spool_and_memory(db: Database) -> None:
    for statement in _FIRST_TABLES:
        db.execute(statement)


_FIRST_TABLES = (
    """CREATE TABLE outbox (
        sequence INTEGER PRIMARY KEY,
        report_id TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL,
        keep INTEGER NOT NULL,
        body TEXT NOT NULL,
        body_bytes INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX outbox_by_keep ON outbox (keep, sequence)",
    "CREATE TABLE counter (name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT",
    "CREATE TABLE dropped (kind TEXT PRIMARY KEY, dropped INTEGER NOT NULL) STRICT",
    """CREATE TABLE set_aside (
        report_id TEXT PRIMARY KEY,
        sequence INTEGER NOT NULL,
        kind TEXT NOT NULL,
        problem TEXT NOT NULL,
        set_aside_at TEXT NOT NULL,
        body TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE spending (
        probe_id TEXT NOT NULL,
        drive_key TEXT NOT NULL,
        at TEXT NOT NULL,
        kind TEXT NOT NULL,
        written_bytes INTEGER NOT NULL,
        by_hand INTEGER NOT NULL,
        discarded INTEGER NOT NULL,
        PRIMARY KEY (probe_id, drive_key)
    ) STRICT""",
    "CREATE INDEX spending_by_drive ON spending (drive_key, at)",
    "CREATE TABLE last_done (key TEXT PRIMARY KEY, at TEXT NOT NULL) STRICT",
    "CREATE TABLE carried_out (order_id TEXT PRIMARY KEY, at TEXT NOT NULL) STRICT",
    "CREATE TABLE document (name TEXT PRIMARY KEY, body TEXT NOT NULL, tag TEXT) STRICT",
)


class AgentDatabase:
    """One SQLite file, one connection a thread."""

    def __init__(self, path: Path) -> None:
        """Open the file, making it and its tables where they are not there yet.

        Args:
            path: The file.

        Raises:
            StateUnusableError: It can be neither opened nor made.
            StateDamagedError: It is there and is no readable database.
        """
        self.path = path
        self._local = threading.local()
        self._open: list[sqlite3.Connection] = []
        self._lock = threading.Lock()
        weakref.finalize(self, _close_all, self._open)
        try:
            path.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
        except OSError as error:
            raise StateUnusableError(path=str(path.parent), reason=error.strerror or str(error)) from error
        with self.transaction() as db:
            migrations.apply(db)

    @contextmanager
    def transaction(self) -> Iterator[Database]:
        """Hold the write lock from start to commit; an exception undoes all of it.

        Raises:
            StateUnusableError: The file cannot be written.
            StateDamagedError: It is no readable database.
        """
        try:
            db = self._here()
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
            except BaseException:
                db.rollback()
                raise
            db.commit()
        except sqlite3.OperationalError as error:
            raise StateUnusableError(path=str(self.path), reason=str(error)) from error
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.IntegrityError):
                raise
            raise StateDamagedError(path=str(self.path), reason=str(error)) from error

    def close(self) -> None:
        """Close every thread's connection."""
        with self._lock:
            _close_all(self._open)
            self._local = threading.local()

    def _here(self) -> Database:
        db: Database | None = getattr(self._local, "db", None)
        if db is None:
            connection = sqlite3.connect(
                self.path, timeout=BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False
            )
            for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
                with closing(connection.execute(f"PRAGMA {pragma}")):
                    pass
            db = Database(connection, execute_plugins=False)
            self._local.db = db
            with self._lock:
                self._open.append(connection)
        return db


def _close_all(connections: list[sqlite3.Connection]) -> None:
    for connection in connections:
        connection.close()
    connections.clear()
