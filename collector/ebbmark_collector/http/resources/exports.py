"""Whole lists for other programs: CSV and NDJSON, streamed a page at a time, and metrics to scrape."""

import csv
import io
import json
from collections.abc import Iterator
from datetime import datetime
from typing import Any, Literal

from pydantic import Field

from ebbmark_collector.http.operation import Call, Reply, Routes
from ebbmark_collector.http.paging import Query
from ebbmark_collector.store import Store, Tx, alerting, drives, hosts, lists
from ebbmark_collector.store.listing import Filter, Listing, Place, page

routes = Routes("exports")
_PAGE = 500  # [1] rows held in memory at a time
_LISTS: dict[str, Listing] = {
    "drives": lists.DRIVES,
    "hosts": lists.HOSTS,
    "probes": lists.PROBES,
    "alerts": lists.ALERTS,
    "incidents": lists.INCIDENTS,
    "holds": lists.HOLDS,
}


class ExportQuery(Query):
    """In which form."""

    form: Literal["csv", "ndjson"] = "ndjson"
    of: Literal["drives", "hosts", "probes", "alerts", "incidents", "holds"] = Field(
        default="drives", description="Which list."
    )


def _rows(store: Store, listing: Listing) -> Iterator[dict[str, Any]]:
    after: Place | None = None
    while True:
        place = after

        def read(tx: Tx, place: Place | None = place) -> tuple[list[dict[str, Any]], Place | None]:
            return page(tx, listing, sort=listing.key, after=place, limit=_PAGE)

        rows, after = store.read(read)
        yield from rows
        if after is None:
            return


def _plain(value: Any) -> Any:
    return value.isoformat().replace("+00:00", "Z") if isinstance(value, datetime) else value


def _cell(value: Any) -> Any:
    value = _plain(value)
    # A spreadsheet would run such a text as a formula.
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return f"'{value}"
    return "" if value is None else value


def _ndjson(store: Store, listing: Listing) -> Iterator[bytes]:
    for row in _rows(store, listing):
        text = json.dumps({name: _plain(value) for name, value in row.items()}, ensure_ascii=False)
        yield text.encode() + b"\n"


def _csv(store: Store, listing: Listing) -> Iterator[bytes]:
    names = [column.name for column in listing.columns]
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")  # RFC 4180
    writer.writerow(names)
    for row in _rows(store, listing):
        writer.writerow([_cell(row[name]) for name in names])
        if buffer.tell() > 65_536:
            yield buffer.getvalue().encode()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue().encode()


@routes.add(
    "GET",
    "/v1/exports",
    summary="A whole list as CSV or NDJSON",
    query=ExportQuery,
    answers={200: "application/x-ndjson or text/csv"},
    description="Streamed: it may be as long as the fleet is large. CSV as in RFC 4180.",
)
def export(call: Call) -> Reply:
    """Stream a whole list."""
    query = call.query_as(ExportQuery)
    listing = _LISTS[query.of]
    if query.form == "csv":
        return Reply(
            body=_csv(call.store, listing),
            media="text/csv; charset=utf-8; header=present",
            headers={"Content-Disposition": f'attachment; filename="{query.of}.csv"'},
        )
    return Reply(body=_ndjson(call.store, listing), media="application/x-ndjson")


METRICS_MEDIA = "application/openmetrics-text; version=1.0.0; charset=utf-8"


def _label(text: str | None) -> str:
    return (text or "").replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _metrics(tx: Tx) -> Iterator[str]:
    counted = drives.counted(tx)
    yield "# TYPE ebbmark_drives gauge\n# HELP ebbmark_drives Drives in service by standing.\n"
    for word in lists.STANDINGS:
        yield f'ebbmark_drives{{standing="{word}"}} {counted[word]}\n'
    yield "# TYPE ebbmark_hosts gauge\n# HELP ebbmark_hosts Enrolled hosts.\n"
    yield f"ebbmark_hosts {hosts.count(tx)}\n"
    yield "# TYPE ebbmark_open_alerts gauge\n# HELP ebbmark_open_alerts Open alerts that are not shelved.\n"
    for severity, number in alerting.open_by_severity(tx).items():
        yield f'ebbmark_open_alerts{{severity="{severity}"}} {number}\n'
    rows, after = [], None
    while True:
        some, after = page(
            tx,
            lists.DRIVES,
            filters=(Filter(column="retired_at", how="missing"),),
            sort="drive_id",
            after=after,
            limit=_PAGE,
        )
        rows += some
        if after is None:
            break
    for name, column in (
        ("ebbmark_drive_floor_bytes_per_second", "floor_bytes_per_s"),
        ("ebbmark_drive_demand_bytes_per_second", "demand_bytes_per_s"),
        ("ebbmark_drive_temperature_celsius", "temperature_c"),
    ):
        unit = name.rpartition("_drive_")[2].split("_", 1)[1]
        yield f"# TYPE {name} gauge\n# UNIT {name} {unit}\n# HELP {name} As the drive resource says.\n"
        for row in rows:
            if row[column] is not None:
                labels = ",".join(
                    f'{key}="{_label(row[key])}"' for key in ("drive_id", "asset_tag", "role", "standing")
                )
                yield f"{name}{{{labels}}} {row[column]}\n"
    yield "# EOF\n"


@routes.add(
    "GET",
    "/metrics",
    summary="OpenMetrics",
    answers={200: "application/openmetrics-text"},
    description="OpenMetrics 1.0, for those who scrape.",
)
def metrics(call: Call) -> Reply:
    """Give the fleet's metrics."""
    text = call.store.read(lambda tx: "".join(_metrics(tx)))
    return Reply(body=text.encode(), media=METRICS_MEDIA)
