"""From a list's columns to its query: filters that read like the fields, sort, sparse fields, cursor.

Source: RFC 8288, Web Linking, for the Link header.
"""

import base64
import binascii
import json
from collections.abc import Iterable
from typing import Annotated, Any, Literal, TypeVar
from urllib.parse import urlencode

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints, create_model

from ebbmark_collector.http.operation import Call, Out, Reply
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.store import Tx, Value, to_ms
from ebbmark_collector.store.listing import Column, Filter, Kind, Listing, Place, page

_MOST_VALUES = 50  # [1] values of one filter
_Word = Annotated[str, StringConstraints(min_length=1, max_length=256)]
_BOUNDS = {Kind.NUMBER: ("at_least", "at_most"), Kind.TIME: ("after", "before")}
T = TypeVar("T", bound=BaseModel)


class Query(BaseModel):
    """The base of every list's query."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, allow_inf_nan=False)


def _filters_of(column: Column) -> Iterable[tuple[str, Any]]:
    if not column.filters or column.kind is Kind.JSON:
        return
    if column.kind is Kind.TRUTH:
        yield (
            column.name,
            (bool | None, Field(default=None, description=f"Only where `{column.name}` is this.")),
        )
    elif column.kind in _BOUNDS:
        low, high = _BOUNDS[column.kind]
        of: Any = float if column.kind is Kind.NUMBER else AwareDatetime
        for how, word in (
            (low, "at least" if low == "at_least" else "after"),
            (high, "at most" if high == "at_most" else "before"),
        ):
            yield (
                f"{column.name}_{how}",
                (of | None, Field(default=None, description=f"`{column.name}` {word} this.")),
            )
    else:
        word_type: Any = Literal[column.words] if column.words else _Word
        yield (
            column.name,
            (
                tuple[word_type, ...],
                Field(default=(), max_length=_MOST_VALUES, description="Any of these; repeat the parameter."),
            ),
        )


def query_model(listing: Listing, *, without: Iterable[str] = ()) -> type[Query]:
    """Make the query model of a list.

    Args:
        listing: The list.
        without: Columns fixed by the path, hence no filters.
    """
    left_out = set(without)
    columns = [column for column in listing.columns if column.name not in left_out]
    sorts = tuple(
        name
        for column in columns
        if column.sorts and column.kind is not Kind.JSON
        for name in (column.name, f"-{column.name}")
    )
    nullable = tuple(column.name for column in columns if column.nullable and column.filters)
    names = tuple(column.name for column in listing.columns)
    fields: dict[str, Any] = {
        "limit": (int, Field(default=100, ge=1, le=500, description="Rows of a page.")),
        "cursor": (
            Annotated[str, StringConstraints(max_length=1000, pattern=r"^[A-Za-z0-9_-]+$")] | None,
            Field(default=None, description="Where the page before ended; take it from `next`."),
        ),
        "sort": (Literal[sorts], Field(default=listing.sort, description="`-` in front for falling.")),
        "fields": (
            tuple[Literal[names], ...],  # type: ignore[valid-type]
            Field(default=(), max_length=100, description="Only these fields; repeat the parameter."),
        ),
    }
    if nullable:
        fields["without"] = (
            tuple[Literal[nullable], ...],  # type: ignore[valid-type]
            Field(default=(), max_length=50, description="Only where these are empty; repeat the parameter."),
        )
    if any(column.searched for column in columns):
        searched = ", ".join(column.name for column in columns if column.searched)
        fields["contains"] = (
            Annotated[str, StringConstraints(min_length=1, max_length=100)] | None,
            Field(default=None, description=f"Text in {searched}, whatever its case."),
        )
    for column in columns:
        fields |= dict(_filters_of(column))
    model: type[Query] = create_model(
        f"{listing.name.title().replace('_', '')}Query", __base__=Query, **fields
    )
    return model


def page_model(item: type[Out]) -> type[Out]:
    """Make the model of a page of these."""
    return create_model(
        f"{item.__name__}Page",
        __base__=Out,
        items=(list[item], ...),  # type: ignore[valid-type]
        next=(str | None, Field(default=None, description="The address of the next page; null on the last.")),
    )


def filters_from(query: BaseModel, listing: Listing) -> list[Filter]:
    """Give the filters a query asks for."""
    found: list[Filter] = []
    for column in listing.columns:
        if column.kind in _BOUNDS:
            for how in _BOUNDS[column.kind]:
                bound = getattr(query, f"{column.name}_{how}", None)
                if bound is not None:
                    value: Value = to_ms(bound) if column.kind is Kind.TIME else bound
                    found.append(Filter(column=column.name, how=how, values=(value,)))
            continue
        asked = getattr(query, column.name, None)
        if isinstance(asked, bool):
            found.append(Filter(column=column.name, how="in", values=(int(asked),)))
        elif isinstance(asked, tuple) and asked:
            found.append(Filter(column=column.name, how="in", values=tuple(dict.fromkeys(asked))))
    found += [Filter(column=name, how="missing") for name in getattr(query, "without", ())]
    return found


def _pack(sort: str, place: Place) -> str:
    text = json.dumps([sort, place.value, place.key], separators=(",", ":"))
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _unpack(cursor: str, sort: str) -> Place:
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        found = json.loads(base64.urlsafe_b64decode(padded))
        of, value, key = found
    except (ValueError, TypeError, binascii.Error) as error:
        raise HttpProblem(
            422, "This cursor was not made here; take it from `next`.", field="cursor"
        ) from error
    plain = isinstance(value, str | int | float | None) and isinstance(key, str | int)
    if of != sort or not plain or isinstance(value, bool) or isinstance(key, bool):
        raise HttpProblem(422, "This cursor belongs to another order; begin again.", field="cursor")
    return Place(value=value, key=key)


def _check_kinds(place: Place, listing: Listing, sort: str) -> None:
    """Refuse a cursor whose values are not of the columns' kinds: each engine compares those its own way."""
    for name, value in ((sort.removeprefix("-"), place.value), (listing.key, place.key)):
        is_text = listing.column(name).kind is Kind.TEXT
        if value is not None and isinstance(value, str) is not is_text:
            raise HttpProblem(422, "This cursor was not made here; take it from `next`.", field="cursor")


def list_page(
    call: Call, listing: Listing, item: type[Out], whole: type[Out], *, fixed: Iterable[Filter] = ()
) -> Reply:
    """Answer a list operation.

    Args:
        call: The call.
        listing: The list.
        item: The model of a row.
        whole: The model of the page, from `page_model(item)`.
        fixed: Filters that follow from the path.
    """
    query: Any = call.query
    after = _unpack(query.cursor, query.sort) if query.cursor else None
    if after is not None:
        _check_kinds(after, listing, query.sort)
    filters = [*fixed, *filters_from(query, listing)]

    def read(tx: Tx) -> tuple[list[dict[str, Any]], Place | None]:
        return page(
            tx,
            listing,
            filters=filters,
            contains=getattr(query, "contains", None),
            sort=query.sort,
            after=after,
            limit=query.limit,
        )

    rows, place = call.store.read(read)
    kept = [(name, value) for name, value in call.args if name != "cursor"]
    first = f"{call.address_path}?{urlencode(kept)}" if kept else call.address_path
    links = [f'<{first}>; rel="first"']
    following = None
    if place is not None:
        following = f"{call.address_path}?{urlencode([*kept, ('cursor', _pack(query.sort, place))])}"
        links.append(f'<{following}>; rel="next"')
    # No rel="prev": a cursor says where a page ended; rows that came since would make a page before it a lie.
    headers = {"Link": ", ".join(links)}
    items = [item.model_validate(row) for row in rows]
    return Reply(body=whole(items=items, next=following), headers=headers, fields=query.fields)  # type: ignore[call-arg]
