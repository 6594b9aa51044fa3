"""What a drive has been through: its standings, its health day by day, its takes."""

from datetime import datetime

from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.paging import list_page, page_model, query_model
from ebbmark_collector.http.resources.drives import StandingWord, row_of
from ebbmark_collector.store import Row, Tx, from_ms, judgement, lists
from ebbmark_collector.store.listing import Filter

routes = Routes("drives")


class StandingChange(Out):
    """One change of a drive's standing."""

    at: datetime
    standing: StandingWord
    role: str | None
    floor_bytes_per_s: float | None
    demand_bytes_per_s: float | None
    why: str


class StandingHistory(Out):
    """The changes of a drive's standing, newest first."""

    items: list[StandingChange]


@routes.add(
    "GET",
    "/v1/drives/{drive_id}/standings",
    summary="How a drive's standing changed",
    answers={200: StandingHistory},
)
def drive_standings(call: Call) -> Reply:
    """Give the changes of a drive's standing."""

    def read(tx: Tx) -> list[Row]:
        row_of(tx, call.path["drive_id"])
        return judgement.standings_of(tx, call.path["drive_id"], limit=500)

    items = [
        StandingChange(
            at=from_ms(row["at_ms"]),
            standing=row["standing"],
            role=row["role"],
            floor_bytes_per_s=row["floor_bytes_per_s"],
            demand_bytes_per_s=row["demand_bytes_per_s"],
            why=row["why"],
        )
        for row in call.store.read(read)
    ]
    return Reply(body=StandingHistory(items=items))


class HealthDay(Out):
    """A day's last health read, with that day's hottest temperature."""

    drive_id: str
    read_at: datetime
    state: str
    temperature_c: float | None
    hottest_c: float | None
    percentage_used: int | None
    available_spare_percent: int | None
    written_bytes: int | None
    power_on_hours: int | None
    media_errors: int | None
    reallocated_sectors: int | None
    pending_sectors: int | None
    uncorrectable_errors: int | None
    interface_crc_errors: int | None
    readings: int


HealthQuery = query_model(lists.HEALTH, without=("drive_id",))
HealthPage = page_model(HealthDay)


def of_drive(call: Call) -> tuple[Filter, ...]:
    """Give the filter that follows from a drive in the path.

    Raises:
        NotFound: When there is no such drive.
    """
    drive_id = call.path["drive_id"]
    call.store.read(lambda tx: row_of(tx, drive_id))
    return (Filter(column="drive_id", how="in", values=(drive_id,)),)


@routes.add(
    "GET",
    "/v1/drives/{drive_id}/health",
    summary="A drive's health by the day",
    query=HealthQuery,
    answers={200: HealthPage},
)
def drive_health(call: Call) -> Reply:
    """Give a page of a drive's days of health."""
    return list_page(call, lists.HEALTH, HealthDay, HealthPage, fixed=of_drive(call))


class TakeListed(Out):
    """One real recording as the disk's counters saw it."""

    take_id: str
    drive_id: str
    host_id: str
    started_at: datetime
    duration_s: float
    written_bytes: int
    mean_bytes_per_s: float
    peak_bytes_per_s: float
    busy_share: float | None
    saturated: bool
    saturated_floor_bytes_per_s: float | None
    path_key: str


TakeQuery = query_model(lists.TAKES, without=("drive_id",))
TakePage = page_model(TakeListed)


@routes.add(
    "GET",
    "/v1/drives/{drive_id}/takes",
    summary="Recordings seen on a drive",
    query=TakeQuery,
    answers={200: TakePage},
)
def drive_takes(call: Call) -> Reply:
    """Give a page of a drive's takes."""
    return list_page(call, lists.TAKES, TakeListed, TakePage, fixed=of_drive(call))
