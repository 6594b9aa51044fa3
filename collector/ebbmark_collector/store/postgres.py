"""The PostgreSQL engine: the same statements through a pool, for any number of workers on one database."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from random import SystemRandom
from threading import Event
from typing import Any

import psycopg
from psycopg import errors as pg
from psycopg.rows import dict_row
from psycopg_pool import ConnectionPool, PoolTimeout

from ebbmark_collector.errors import Busy, Conflict, Corrupt, StorageFull, StoreError, Unreachable
from ebbmark_collector.store.schema import POSTGRES, STEPS, statements
from ebbmark_collector.store.tx import NO_PARAMS, Params, Row, T, Tx, Value, insert_sql

LEAST_POSTGRESQL = 140_000  # 14
_MIGRATION_LOCK = 7_305_811  # one number for all collectors of a database
_WAIT_S = 10.0  # [s] for a connection
_TRIES = 8  # [1] of a write that others got in the way of
_FIRST_PAUSE_S = 0.01  # [s]; doubles with every try, with jitter

_TOKENS = re.compile(
    r"""('(?:[^']|'')*')      # a string
      | ("(?:[^"]|"")*")      # a quoted name
      | (--[^\n]*)            # a comment
      | (::)                  # a cast
      | (%)                   # doubled for the driver
      | :([A-Za-z_][A-Za-z_0-9]*)""",
    re.VERBOSE,
)


def _token(match: re.Match[str]) -> str:
    if match.group(6):
        return f"%({match.group(6)})s"
    return match.group(0).replace("%", "%%")


@lru_cache(maxsize=2048)
def for_psycopg(sql: str) -> bytes:
    """Turn `:name` into the driver's form, leaving strings, names, comments and casts alone."""
    return _TOKENS.sub(_token, sql).encode()


def _ours(error: psycopg.Error) -> StoreError:
    text = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
    if isinstance(error, psycopg.IntegrityError):
        return Conflict(f"The database refused a row that contradicts another: {text}.")
    if isinstance(error, pg.DeadlockDetected | pg.SerializationFailure | pg.LockNotAvailable):
        return Busy(f"Others were changing the same rows ({text}); nothing was changed. Try again.")
    if isinstance(error, pg.DiskFull):
        return StorageFull(
            "No space is left on the PostgreSQL server; nothing was taken in. Free some space there."
        )
    if isinstance(error, pg.DataCorrupted | pg.IndexCorrupted):
        return Corrupt(f"PostgreSQL reports damage ({text}). Restore the last good backup.")
    if isinstance(error, psycopg.OperationalError | PoolTimeout):
        return Unreachable(f"PostgreSQL does not answer: {text}.")
    return StoreError(f"PostgreSQL refused a statement: {text}.")


class _PostgresTx:
    """A transaction on one connection."""

    def __init__(self, conn: psycopg.Connection[Row]) -> None:
        self._conn = conn

    def _execute(self, sql: str, params: Params) -> psycopg.Cursor[Row]:
        try:
            return self._conn.execute(for_psycopg(sql), dict(params))
        except psycopg.Error as error:
            raise _ours(error) from error

    def query(self, sql: str, params: Params = NO_PARAMS) -> list[Row]:
        cursor = self._execute(sql, params)
        return [{name: _plain(value) for name, value in row.items()} for row in cursor.fetchall()]

    def values(self, sql: str, params: Params = NO_PARAMS) -> list[tuple[Any, ...]]:
        return [tuple(row.values()) for row in self.query(sql, params)]

    def run(self, sql: str, params: Params = NO_PARAMS) -> int:
        return self._execute(sql, params).rowcount

    def update_many(self, table: str, sets: str, where: str, rows: Sequence[Params]) -> int:
        if not rows:
            return 0
        sql = f"UPDATE {table} SET {sets} WHERE {where}"  # noqa: S608 -- from code, never from a caller
        try:
            with self._conn.cursor() as cursor:
                cursor.executemany(for_psycopg(sql), rows)
                return cursor.rowcount
        except psycopg.Error as error:
            raise _ours(error) from error

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
        sql = for_psycopg(insert_sql(table, columns, key, update, merge))
        given = [dict(zip(columns, row, strict=True)) for row in rows]
        if not given:
            return
        try:
            with self._conn.cursor() as cursor:
                cursor.executemany(sql, given)
        except psycopg.Error as error:
            raise _ours(error) from error


def _plain(value: Any) -> Any:
    # COUNT and SUM of integers come as wider types; both engines shall give the same.
    if isinstance(value, memoryview):
        return bytes(value)
    return int(value) if type(value).__name__ == "Decimal" else value


class PostgresStore:
    """A PostgreSQL database opened for this process."""

    engine = "postgresql"

    def __init__(self, dsn: str, *, pool: int = 8) -> None:
        self._random = SystemRandom()
        self._pause = Event()  # never set: its wait is a pause
        self._pool: ConnectionPool[psycopg.Connection[Row]] = ConnectionPool(
            dsn,
            min_size=1,
            max_size=pool,
            timeout=_WAIT_S,
            kwargs={"row_factory": dict_row, "application_name": "ebbmark-collector"},
            open=False,
        )
        try:
            self._pool.open(wait=True, timeout=_WAIT_S)
            self._migrate()
        except (psycopg.Error, PoolTimeout) as error:
            self._pool.close()
            raise _ours(error) from error

    def _migrate(self) -> None:
        with self._pool.connection() as conn:
            if conn.info.server_version < LEAST_POSTGRESQL:
                raise StoreError(
                    f"PostgreSQL {conn.info.server_version // 10_000} is too old: 14 or newer is needed."
                )
            conn.execute("SELECT pg_advisory_xact_lock(%s)", (_MIGRATION_LOCK,))
            conn.execute(
                """CREATE TABLE IF NOT EXISTS schema_steps
                   (name TEXT PRIMARY KEY, applied_at TIMESTAMPTZ NOT NULL)"""
            )
            known = {row["name"] for row in conn.execute("SELECT name FROM schema_steps").fetchall()}
            for name, text in STEPS:
                if name in known:
                    continue
                for statement in statements(text, POSTGRES):
                    conn.execute(statement.encode())
                conn.execute("INSERT INTO schema_steps (name, applied_at) VALUES (%s, now())", (name,))

    @contextmanager
    def tx(self, *, write: bool = False) -> Iterator[Tx]:
        """Open a transaction; a reading one sees one state of the database throughout."""
        try:
            with self._pool.connection() as conn:
                conn.isolation_level = None if write else psycopg.IsolationLevel.REPEATABLE_READ
                conn.read_only = not write
                with conn.transaction():
                    yield _PostgresTx(conn)
        except (psycopg.Error, PoolTimeout) as error:
            raise _ours(error) from error

    def read(self, job: Callable[[Tx], T]) -> T:
        """Run a job on one consistent state of the database."""
        with self.tx() as tx:
            return job(tx)

    def write(self, job: Callable[[Tx], T]) -> T:
        """Run a job and return when it is on the server's disk; what others got in the way of is tried again.

        Raises:
            StoreError: When the engine refuses; the job's changes are undone.
        """
        for attempt in range(_TRIES):
            try:
                with self.tx(write=True) as tx:
                    return job(tx)
            except Busy:
                if attempt == _TRIES - 1:
                    raise
                self._pause.wait(_FIRST_PAUSE_S * 2**attempt * (0.5 + self._random.random()))
        raise AssertionError("the loop ends by return or raise")

    def close(self) -> None:
        """Close every connection."""
        self._pool.close()
