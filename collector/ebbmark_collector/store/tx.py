"""The transaction object: the only way any code reaches a database driver, the same for both engines.

1. Every statement is written once, in the subset both engines take (see the list in DEVELOPERS.md).
2. Parameters are `:name`, always. Values are text, integers, floats, bytes or None.
3. Instants are integer milliseconds since 1970 UTC; truth is 0 or 1; JSON is text and never queried.
4. A write is durable when `Store.write` returns, and undone as a whole when it raises.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime
from typing import Any, Protocol, TypeVar

Value = str | int | float | bytes | None
Params = Mapping[str, Value]
Row = dict[str, Any]
T = TypeVar("T")
NO_PARAMS: Params = {}
MOST_MARKS = 256  # [1] values in one IN list


class Tx(Protocol):
    """One open transaction."""

    def query(self, sql: str, params: Params = NO_PARAMS) -> list[Row]:
        """Run a statement that gives rows.

        Raises:
            StoreError: When the engine refuses; see the classes of errors.py.
        """
        ...

    def values(self, sql: str, params: Params = NO_PARAMS) -> list[tuple[Any, ...]]:
        """Run a statement that gives many small rows: each as its values alone.

        Every column needs a name of its own.

        Raises:
            StoreError: When the engine refuses.
        """
        ...

    def run(self, sql: str, params: Params = NO_PARAMS) -> int:
        """Run a statement and give the number of rows it touched [1].

        Raises:
            StoreError: When the engine refuses.
        """
        ...

    def update_many(self, table: str, sets: str, where: str, rows: Sequence[Params]) -> int:
        """Update rows of a table, one for each of `rows`, and give how many that touched [1].

        Args:
            table: Which.
            sets: What becomes of a row, as after SET.
            where: Which row is meant; no two of `rows` may mean the same one.
            rows: The parameters of both, all of the same names.

        Raises:
            StoreError: When the engine refuses.
        """
        ...

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
        """Insert rows; on a repeated `key` update the columns named, or leave the old row if none is.

        `merge` says instead what becomes of the old row, as after SET, where `excluded` is the new one.

        Raises:
            StoreError: When the engine refuses.
        """
        ...


class Store(Protocol):
    """A database with the schema of this version in it."""

    engine: str

    def tx(self, *, write: bool = False) -> AbstractContextManager[Tx]:
        """Open a transaction that commits at the end of the block and is undone if the block raises."""
        ...

    def write(self, job: Callable[[Tx], T]) -> T:
        """Run a job in a writing transaction, durable on return; a busy database is tried again.

        The job may run more than once and must have no effect outside the transaction. A job's class may
        have a static method `together(tx, jobs)` that gives each one's result in turn: jobs that wait at the
        same time may then be run by it, where one statement for many rows saves time.
        """
        ...

    def read(self, job: Callable[[Tx], T]) -> T:
        """Run a job in a reading transaction that sees one state of the database throughout."""
        ...

    def close(self) -> None:
        """Let go of every connection."""
        ...


def insert_sql(
    table: str,
    columns: Sequence[str],
    key: Sequence[str],
    update: Sequence[str],
    merge: str,
    *,
    marks: str | None = None,
) -> str:
    """Write the insert statement both engines take; `marks` are those of its rows, by default one by name."""
    names = ", ".join(columns)
    marks = marks or "(" + ", ".join(f":{column}" for column in columns) + ")"
    sql = f"INSERT INTO {table} ({names}) VALUES {marks}"  # noqa: S608 -- names come from code, never from a caller
    if not key:
        return sql
    sets = merge or ", ".join(f"{column} = excluded.{column}" for column in update)
    if not sets:
        return f"{sql} ON CONFLICT ({', '.join(key)}) DO NOTHING"
    return f"{sql} ON CONFLICT ({', '.join(key)}) DO UPDATE SET {sets}"


def marks_for(values: Sequence[str]) -> tuple[str, dict[str, Value]]:
    """Give the marks of an IN list and their parameters.

    The last value is repeated up to a power of two, so that an engine prepares few different statements.
    """
    more = (1 << (len(values) - 1).bit_length()) - len(values)
    filled = [*values, *(values[-1] for _ in range(more))]
    params: dict[str, Value] = {f"v{number}": value for number, value in enumerate(filled)}
    return ", ".join(f":{name}" for name in params), params


@contextmanager
def savepoint(tx: Tx, name: str = "part") -> Iterator[None]:
    """Make the block undone by itself when it raises, leaving the rest of the transaction."""
    tx.run(f"SAVEPOINT {name}")
    try:
        yield
    except BaseException:
        tx.run(f"ROLLBACK TO SAVEPOINT {name}")
        tx.run(f"RELEASE SAVEPOINT {name}")
        raise
    tx.run(f"RELEASE SAVEPOINT {name}")


def to_ms(instant: datetime) -> int:
    """Give an aware instant as milliseconds since 1970 UTC [ms]."""
    return round(instant.timestamp() * 1000)


def from_ms(ms: int) -> datetime:
    """Give milliseconds since 1970 UTC [ms] as an aware instant."""
    return datetime.fromtimestamp(ms / 1000, tz=UTC)
