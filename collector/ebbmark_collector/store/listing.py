"""Lists: which columns a list shows, by which it may be filtered and sorted, and one page of it by its keys.

A page begins after the last row of the one before, by the sort column and the key; no row is skipped over.
Column names and expressions come from code; only values come from a caller, always as parameters.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from ebbmark_collector.store.tx import Row, Tx, Value, from_ms


class Kind(StrEnum):
    """What a column holds, which says how it is compared and shown."""

    TEXT = "text"
    NUMBER = "number"
    TIME = "time"
    TRUTH = "truth"
    JSON = "json"


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column of a list.

    Attributes:
        sql: The expression behind it; its own name unless given.
        nullable: Whether it may be empty; empty ones come last in either direction.
        words: The closed set of values, where there is one.
        filters: Whether a caller may filter by it.
        sorts: Whether a caller may sort by it.
        searched: Whether `contains` looks into it.
    """

    name: str
    kind: Kind = Kind.TEXT
    sql: str = ""
    nullable: bool = False
    words: tuple[str, ...] = ()
    filters: bool = True
    sorts: bool = True
    searched: bool = False

    @property
    def expression(self) -> str:
        """Give the expression behind the column."""
        return self.sql or self.name


@dataclass(frozen=True, kw_only=True)
class Listing:
    """A list of one kind of thing.

    Attributes:
        source: What follows FROM.
        key: The column that makes a row unique.
        sort: The order unless a caller says another; `-` in front for falling.
        where: A condition that always holds.
        wide: Rows are long and many, so that a page first finds its keys and then reads what they show. The
            key must be unique in the whole table, whatever the filters.
    """

    name: str
    source: str
    key: str
    columns: tuple[Column, ...]
    sort: str
    where: str = ""
    wide: bool = False

    def column(self, name: str) -> Column:
        """Give a column by its name."""
        return next(column for column in self.columns if column.name == name)


@dataclass(frozen=True, kw_only=True)
class Filter:
    """One condition: a column, how it is compared, and with what.

    Attributes:
        how: `in`, `at_least`, `at_most`, `after`, `before` or `missing`.
    """

    column: str
    how: str
    values: tuple[Value, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where a page ended: the sort column's value and the key of its last row."""

    value: Value
    key: Value


@dataclass(kw_only=True)
class _Where:
    parts: list[str] = field(default_factory=list)
    params: dict[str, Value] = field(default_factory=dict)

    def bind(self, value: Value) -> str:
        name = f"p{len(self.params)}"
        self.params[name] = value
        return f":{name}"


_LINE_END = " || '\n' || "  # between the texts that are searched, so that nothing is found across two
_COMPARED = {"at_least": ">=", "at_most": "<=", "after": ">", "before": "<"}


def _filtered(listing: Listing, filters: Sequence[Filter], contains: str | None) -> _Where:
    where = _Where(parts=[listing.where] if listing.where else [])
    for one in filters:
        expression = listing.column(one.column).expression
        if one.how == "missing":
            where.parts.append(f"{expression} IS NULL")
        elif one.how == "in":
            marks = ", ".join(where.bind(value) for value in one.values)
            where.parts.append(f"{expression} IN ({marks})")
        else:
            where.parts.append(f"{expression} {_COMPARED[one.how]} {where.bind(one.values[0])}")
    if contains:
        looked = f"{_searched_text(listing)} LIKE {where.bind(f'%{_escaped(contains.lower())}%')} ESCAPE '!'"
        if listing.wide:
            # By itself, so that an index of what is searched can answer in place of the rows.
            key = listing.column(listing.key).expression
            looked = f"{key} IN (SELECT {key} FROM {listing.source} WHERE {looked})"  # noqa: S608
        where.parts.append(looked)
    return where


def _searched_text(listing: Listing) -> str:
    """Write what `contains` looks into as one text, a line for each column."""
    texts = [
        f"coalesce({column.expression}, '')" if column.nullable else column.expression
        for column in listing.columns
        if column.searched
    ]
    return f"lower({_LINE_END.join(texts)})"


def _escaped(text: str) -> str:
    return text.replace("!", "!!").replace("%", "!%").replace("_", "!_")


def _after(where: _Where, sort: Column, key: Column, place: Place, *, falling: bool) -> None:
    beyond = "<" if falling else ">"
    if place.value is None:
        where.parts.append(f"{sort.expression} IS NULL AND {key.expression} {beyond} {where.bind(place.key)}")
        return
    value, last = where.bind(place.value), where.bind(place.key)
    pair = f"({sort.expression}, {key.expression}) {beyond} ({value}, {last})"
    where.parts.append(f"({pair} OR {sort.expression} IS NULL)" if sort.nullable else pair)


def page(
    tx: Tx,
    listing: Listing,
    *,
    filters: Sequence[Filter] = (),
    contains: str | None = None,
    sort: str | None = None,
    after: Place | None = None,
    limit: int = 100,
) -> tuple[list[Row], Place | None]:
    """Give one page of a list.

    Returns:
        The rows, shown as their kinds say, and where the page ended if another follows.
    """
    name = (sort or listing.sort).removeprefix("-")
    falling = (sort or listing.sort).startswith("-")
    by, key = listing.column(name), listing.column(listing.key)
    where = _filtered(listing, filters, contains)
    if after is not None:
        _after(where, by, key, after, falling=falling)
    shown = ", ".join(f"{column.expression} AS {column.name}" for column in listing.columns)
    direction = "DESC" if falling else "ASC"
    nulls = " NULLS LAST" if by.nullable else ""
    order = f"ORDER BY {by.expression} {direction}{nulls}, {key.expression} {direction}"
    found = f"FROM {listing.source}" + (f" WHERE {' AND '.join(where.parts)}" if where.parts else "")
    # Which rows first, then what they show: where no index gives the order, only keys are put in it.
    keys = f"SELECT {key.expression} {found} {order} LIMIT {limit + 1}"
    if listing.wide:
        sql = f"SELECT {shown} FROM {listing.source} WHERE {key.expression} IN ({keys}) {order}"  # noqa: S608
    else:
        sql = f"SELECT {shown} {found} {order} LIMIT {limit + 1}"
    rows = tx.query(sql, where.params)
    more = len(rows) > limit
    rows = rows[:limit]
    place = Place(value=rows[-1][name], key=rows[-1][listing.key]) if more else None
    return _show(listing, rows), place


_SHOWN: dict[Kind, Callable[[Any], Any]] = {Kind.TIME: from_ms, Kind.TRUTH: bool, Kind.JSON: json.loads}


def _show(listing: Listing, rows: list[Row]) -> list[dict[str, Any]]:
    """Give the values of rows as their columns' kinds say: instants, truth, and JSON read."""
    told = [(column.name, _SHOWN[column.kind]) for column in listing.columns if column.kind in _SHOWN]
    for row in rows:
        for name, shown in told:
            if row[name] is not None:
                row[name] = shown(row[name])
    return rows


def one(tx: Tx, listing: Listing, key: str) -> dict[str, Any] | None:
    """Give the one row of a list with this key, shown as its kinds say."""
    found, _ = page(tx, listing, filters=(Filter(column=listing.key, how="in", values=(key,)),), limit=1)
    return found[0] if found else None
