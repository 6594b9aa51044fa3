"""Reports by the month, on PostgreSQL: a partition for each month that has any, dropped once it is empty.

1. A month's rows lie together, so dropping old ones leaves no holes between new ones, and a vacuum is short.
2. Reports come in without asking for a partition: the rest takes what has none, and a round moves it over.
3. Soaks and findings are kept for good; their months stay, and are small.
"""

from datetime import UTC, datetime
from functools import partial

from ebbmark_collector.store.tx import Store, Tx, from_ms, to_ms

_MONTHS_AHEAD = 2  # [1] made before their first report, so that moving is rare


def month_of(instant: datetime) -> datetime:
    """Give the first instant of a month, UTC."""
    return datetime(instant.year, instant.month, 1, tzinfo=UTC)


def month_after(month: datetime) -> datetime:
    """Give the first instant of the month after."""
    return datetime(month.year + month.month // 12, month.month % 12 + 1, 1, tzinfo=UTC)


def _name(month: datetime) -> str:
    return f"reports_{month.year:04}_{month.month:02}"


def partitions(tx: Tx) -> list[str]:
    """Give the partitions there are, the rest among them."""
    rows = tx.query(
        """SELECT c.relname AS name FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
           JOIN pg_class p ON p.oid = i.inhparent WHERE p.relname = 'reports' ORDER BY c.relname"""
    )
    return [row["name"] for row in rows]


def _make(tx: Tx, month: datetime) -> None:
    name, params = _name(month), {"since": to_ms(month), "until": to_ms(month_after(month))}
    tx.run(f"CREATE TABLE {name} (LIKE reports INCLUDING ALL)")
    tx.run(
        f"""WITH moved AS (DELETE FROM reports_rest WHERE made_ms >= :since AND made_ms < :until RETURNING *)
            INSERT INTO {name} SELECT * FROM moved""",  # noqa: S608 -- the name is made of numbers
        params,
    )
    limits = f"FROM ({params['since']}) TO ({params['until']})"
    tx.run(f"ALTER TABLE reports ATTACH PARTITION {name} FOR VALUES {limits}")


def keep_months(store: Store, now: datetime) -> None:
    """Make the partitions that are due and drop those that are over and empty; on SQLite there are none.

    Args:
        store: The store.
        now: The instant.
    """
    if store.engine != "postgresql":
        return

    def due(tx: Tx) -> list[datetime]:
        rows = tx.query("SELECT DISTINCT made_ms / 86400000 AS day FROM reports_rest ORDER BY 1")
        months = {month_of(from_ms(row["day"] * 86_400_000)) for row in rows}
        month = month_of(now)
        for _ in range(_MONTHS_AHEAD + 1):
            months.add(month)
            month = month_after(month)
        there = set(partitions(tx))
        return sorted(month for month in months if _name(month) not in there)

    for month in store.read(due):
        store.write(partial(_make, month=month))
    store.write(lambda tx: _drop_empty(tx, now))


def _drop_empty(tx: Tx, now: datetime) -> None:
    this = _name(month_of(now))
    for name in partitions(tx):
        if name != "reports_rest" and name < this and not tx.query(f"SELECT 1 AS one FROM {name} LIMIT 1"):  # noqa: S608
            tx.run(f"DROP TABLE {name}")
