"""The SQLite engine: one file, one writer at a time, every acknowledged commit on the disk.

Writers that arrive together share one commit: whoever holds the lock runs every waiting job, commits once,
and only then lets them all return. If one of them fails, all are run again, each so that it can be undone by
itself. An answer still means durable.
"""

import re
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

import sqlite_utils

from ebbmark_collector.errors import Busy, Conflict, Corrupt, StorageFull, StoreError
from ebbmark_collector.store.schema import sqlite_steps
from ebbmark_collector.store.tx import NO_PARAMS, Params, Row, T, Tx, Value, insert_sql, savepoint

S = TypeVar("S")
LEAST_SQLITE = (3, 37, 0)  # STRICT tables, https://www.sqlite.org/stricttables.html
LOCK_WAIT_S = 10.0  # [s] how long another process may hold the file before Busy
LOG_RETRY_S = 0.05  # [s] between tries to switch the log
_ROWS_TOGETHER = 64  # [1] in one statement: of thirty columns, far from the most marks SQLite takes
_ANY_NUMBER = 16  # [1] rows up to which every number of them has a statement of its own
GROUP_JOBS = 64  # [1] jobs that may share one commit


def _keep_a_log(conn: sqlite3.Connection) -> None:
    """Switch to write-ahead logging; two that do so at once are told busy without the usual wait."""
    for _ in range(round(LOCK_WAIT_S / LOG_RETRY_S)):
        try:
            conn.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                raise
            threading.Event().wait(LOG_RETRY_S)
    conn.execute("PRAGMA journal_mode=WAL")


def _ours(error: sqlite3.Error, path: Path) -> StoreError:
    text = str(error)
    if isinstance(error, sqlite3.IntegrityError):
        return Conflict(f"The database refused a row that contradicts another: {text}.")
    if "locked" in text or "busy" in text:
        return Busy(f"Another program holds {path.name}; nothing was changed. Try again.")
    if "full" in text:
        return StorageFull(
            f"No space is left for {path}; nothing was taken in. Free some space: it goes on by itself."
        )
    if "malformed" in text or "not a database" in text or "corrupt" in text:
        return Corrupt(f"{path} is damaged ({text}). Stop the collector and restore the last good backup.")
    if "disk I/O error" in text:
        return StoreError(f"The disk beneath {path} failed ({text}). Look at the system log.")
    return StoreError(f"SQLite refused a statement: {text}.")


class _SqliteTx:
    """A transaction on one connection."""

    def __init__(self, db: sqlite_utils.Database, path: Path, columns: dict[str, tuple[str, ...]]) -> None:
        self._db = db
        self._path = path
        self._columns = columns  # of each statement; the driver puts them together anew at every question

    def _execute(self, sql: str, params: Params) -> sqlite3.Cursor:
        try:
            return self._db.conn.execute(sql, params)
        except sqlite3.Error as error:
            raise _ours(error, self._path) from error

    def query(self, sql: str, params: Params = NO_PARAMS) -> list[Row]:
        cursor = self._execute(sql, params)
        try:
            rows = cursor.fetchall()
            if not rows:
                return []
            names = self._columns.get(sql)
            if names is None:
                names = self._columns[sql] = tuple(column[0] for column in cursor.description)
            return [dict(zip(names, row, strict=True)) for row in rows]
        except sqlite3.Error as error:
            raise _ours(error, self._path) from error

    def values(self, sql: str, params: Params = NO_PARAMS) -> list[tuple[Any, ...]]:
        cursor = self._execute(sql, params)
        try:
            return cursor.fetchall()
        except sqlite3.Error as error:
            raise _ours(error, self._path) from error

    def run(self, sql: str, params: Params = NO_PARAMS) -> int:
        return self._execute(sql, params).rowcount

    def update_many(self, table: str, sets: str, where: str, rows: Sequence[Params]) -> int:
        touched = 0
        for some in _sharing(rows):
            names = tuple(some[0])
            sql = _update_sql(table, sets, where, names, len(some))
            try:
                cursor = self._db.conn.execute(sql, [row[name] for row in some for name in names])
            except sqlite3.Error as error:
                raise _ours(error, self._path) from error
            touched += cursor.rowcount
        return touched

    def insert_many(
        self,
        table: str,
        columns: Sequence[str],
        rows: Iterable[Sequence[Value]],
        *,
        key: Sequence[str] = (),
        update: Sequence[str] = (),
        merge: str = "",
    ) -> None:
        for some in _sharing(list(rows)):
            sql = insert_sql(table, columns, key, update, merge, marks=_marks(len(columns), len(some)))
            try:
                self._db.conn.execute(sql, [value for row in some for value in row])
            except sqlite3.Error as error:
                raise _ours(error, self._path) from error


def _sharing(rows: Sequence[S]) -> Iterator[Sequence[S]]:
    """Divide rows into those that share a statement; at each one the interpreter may go to another thread.

    A few rows go in one, whatever their number; of more, powers of two, so that there are not too many texts.
    """
    first = 0
    while first < len(rows):
        left = len(rows) - first
        together = left if left <= _ANY_NUMBER else min(_ROWS_TOGETHER, 1 << (left.bit_length() - 1))
        yield rows[first : first + together]
        first += together


def _marks(columns: int, rows: int) -> str:
    return ", ".join(["(" + ", ".join("?" * columns) + ")"] * rows)


@lru_cache(maxsize=256)
def _update_sql(table: str, sets: str, where: str, names: tuple[str, ...], rows: int) -> str:
    """Write an update of several rows as one statement: what is given stands beside the table as another."""
    column = {name: f"given.column{number}" for number, name in enumerate(names, start=1)}

    def from_given(text: str) -> str:
        return re.sub(r":(\w+)", lambda mark: column[mark.group(1)], text)

    return (
        f"UPDATE {table} SET {from_given(sets)} FROM (VALUES {_marks(len(names), rows)}) AS given "  # noqa: S608
        f"WHERE {from_given(where)}"
    )


class _Waiting:
    """A job in the queue of writers, and what became of it."""

    def __init__(self, job: Callable[[Tx], Any]) -> None:
        self.job = job
        self.done = False
        self.result: Any = None
        self.error: BaseException | None = None
        self._gate = threading.Lock()
        self._gate.acquire()

    def call(self) -> None:
        """Wake the writer: its job is done, or it is its turn to do the waiting ones."""
        self._gate.release()

    def wait(self) -> None:
        """Wait for the call."""
        self._gate.acquire()


class _JobFailed(Exception):  # noqa: N818 -- says which of a group's errors was a job's own
    def __init__(self, error: Exception) -> None:
        super().__init__(str(error))
        self.error = error


def _sets_of(group: list[_Waiting]) -> list[list[_Waiting]]:
    """Put jobs of one kind that know how to run together beside each other; any other is by itself."""
    sets: dict[object, list[_Waiting]] = {}
    for number, waiting in enumerate(group):
        together = getattr(type(waiting.job), "together", None)
        sets.setdefault(number if together is None else together, []).append(waiting)
    return list(sets.values())


class SqliteStore:
    """A database file opened for this process."""

    engine = "sqlite"

    def __init__(self, path: Path) -> None:
        if sqlite3.sqlite_version_info < LEAST_SQLITE:
            raise StoreError(
                f"SQLite {sqlite3.sqlite_version} is too old: 3.37 or newer is needed. Use a newer Python."
            )
        self.path = path
        self._local = threading.local()
        self._columns: dict[str, tuple[str, ...]] = {}
        self._readers: list[sqlite3.Connection] = []
        self._lock = threading.Lock()
        self._queue: list[_Waiting] = []
        self._queue_lock = threading.Lock()
        self._led = False  # somebody runs the queue, or was called to
        self._writer = self._connect()
        try:
            self._migrate()
        except BaseException:
            self._writer.conn.close()
            raise

    def _connect(self) -> sqlite_utils.Database:
        try:
            conn = sqlite3.connect(
                self.path,
                timeout=LOCK_WAIT_S,
                isolation_level=None,
                check_same_thread=False,
                cached_statements=512,
            )
            _keep_a_log(conn)
            conn.execute("PRAGMA synchronous=FULL")
            conn.execute("PRAGMA foreign_keys=ON")
            conn.execute("PRAGMA cache_size=-4000")  # [KiB] a connection; the system caches the file as well
        except sqlite3.Error as error:
            raise _ours(error, self.path) from error
        return sqlite_utils.Database(conn, execute_plugins=False)

    def _migrate(self) -> None:
        try:
            self._writer.execute("BEGIN IMMEDIATE")
            try:
                sqlite_steps().apply(self._writer)
            except BaseException:
                self._writer.execute("ROLLBACK")
                raise
            self._writer.execute("COMMIT")
        except sqlite3.Error as error:
            raise _ours(error, self.path) from error

    def _reader(self) -> sqlite_utils.Database:
        db: sqlite_utils.Database | None = getattr(self._local, "db", None)
        if db is None:
            db = self._connect()
            self._local.db = db
            with self._queue_lock:
                self._readers.append(db.conn)
        return db

    @contextmanager
    def _begin(self, db: sqlite_utils.Database, how: str) -> Iterator[Tx]:
        tx = _SqliteTx(db, self.path, self._columns)
        tx.run(how)
        try:
            yield tx
            tx.run("COMMIT")
        except BaseException:
            if db.conn.in_transaction:
                db.conn.execute("ROLLBACK")
            raise

    @contextmanager
    def tx(self, *, write: bool = False) -> Iterator[Tx]:
        """Open a transaction; a writing one holds the writer until the block ends."""
        if not write:
            with self._begin(self._reader(), "BEGIN") as tx:
                yield tx
            return
        with self._lock, self._begin(self._writer, "BEGIN IMMEDIATE") as tx:
            yield tx

    def read(self, job: Callable[[Tx], T]) -> T:
        """Run a job on one consistent state of the database."""
        with self.tx() as tx:
            return job(tx)

    def write(self, job: Callable[[Tx], T]) -> T:
        """Run a job and return when it is on the disk; jobs that wait together share one commit.

        Raises:
            StoreError: When the engine refuses; the job's changes are undone.
        """
        waiting = _Waiting(job)
        with self._queue_lock:
            self._queue.append(waiting)
            leads, self._led = not self._led, True
        if not leads:
            waiting.wait()
        if not waiting.done:
            self._lead(waiting)
        if waiting.error is not None:
            raise waiting.error
        result: T = waiting.result
        return result

    def _lead(self, own: _Waiting) -> None:
        """Run groups until one's own job is done, then leave the lead to the next that waits."""
        while not own.done:
            with self._lock:
                group = self._run_group()
            for waiting in group:
                if waiting is not own:
                    waiting.call()
        with self._queue_lock:
            following = self._queue[0] if self._queue else None
            self._led = following is not None
        if following is not None:
            following.call()

    def _run_group(self) -> list[_Waiting]:
        # Only called with the writer's lock held. The caller's own job need not be in the first group.
        with self._queue_lock:
            group, self._queue = self._queue[:GROUP_JOBS], self._queue[GROUP_JOBS:]
        try:
            try:
                self._run_plainly(group)
            except _JobFailed as failed:
                if len(group) == 1 or isinstance(failed.error, StorageFull | Corrupt):
                    raise failed.error from None
                self._run_apart(group)
        except BaseException as error:  # noqa: BLE001 -- nothing of the group was committed: all must hear it
            for waiting in group:
                waiting.error = error
        for waiting in group:
            waiting.done = True
        return group

    def _run_plainly(self, group: list[_Waiting]) -> None:
        """Run jobs in one transaction, those that are done better together at once."""
        with self._begin(self._writer, "BEGIN IMMEDIATE") as tx:
            for jobs in _sets_of(group):
                together = getattr(jobs[0].job, "together", None)
                try:
                    if together is None or len(jobs) == 1:
                        results = [waiting.job(tx) for waiting in jobs]
                    else:
                        results = together(tx, [waiting.job for waiting in jobs])
                except Exception as error:
                    raise _JobFailed(error) from error
                for waiting, result in zip(jobs, results, strict=True):
                    waiting.result = result

    def _run_apart(self, group: list[_Waiting]) -> None:
        """Run jobs in one transaction, each so that it can be undone without the others."""
        with self._begin(self._writer, "BEGIN IMMEDIATE") as tx:
            for waiting in group:
                try:
                    with savepoint(tx, "job"):
                        waiting.result = waiting.job(tx)
                except (StorageFull, Corrupt):
                    raise
                except Exception as error:  # noqa: BLE001 -- handed to the waiter, who raises it
                    waiting.error = error

    def close(self) -> None:
        """Close every connection; the log is folded into the file."""
        with self._lock, self._queue_lock:
            for conn in (*self._readers, self._writer.conn):
                conn.close()
            self._readers.clear()
