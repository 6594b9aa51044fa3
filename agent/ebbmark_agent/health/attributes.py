"""What vendor-defined ATA attributes may be trusted for: by name and sense, never by number alone.

The raw field is vendor-specific since ATA/ATAPI-4; the names are those smartctl's drive database gives an
attribute for a known drive. A name whose unit or sense differs between vendors is passed on raw and not read.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from ebbmark_agent.health.document import Document, leading_number
from ebbmark_agent.health.fields import Fields


@dataclass(frozen=True, kw_only=True)
class AttributeRow:
    """One row of the attribute table, from either source."""

    number: int
    name: str
    normalised: int | None
    worst: int | None
    threshold: int | None
    raw: str
    prefailure: bool
    origin: str

    def count(self) -> int | None:
        """Give the number the raw text begins with; smartctl has already cut it to the drive's format."""
        found = leading_number(self.raw)
        return found if found is not None and found >= 0 else None


# Raw value is the count itself, in the unit the field's name says.
COUNT_NAMES = {
    "power_on_hours": ("Power_On_Hours", "Power_On_Hours_and_Msec"),
    "power_cycles": ("Power_Cycle_Count",),
    "reallocated_sectors": ("Reallocated_Sector_Ct",),
    "pending_sectors": ("Current_Pending_Sector",),
    "uncorrectable_errors": ("Reported_Uncorrect", "Offline_Uncorrectable"),
    "interface_crc_errors": ("UDMA_CRC_Error_Count", "CRC_Error_Count", "SATA_CRC_Error_Count"),
    "unsafe_shutdowns": ("Unexpect_Power_Loss_Ct", "Unsafe_Shutdown_Count"),
}
# The normalised value is what is left of the rated life [%].
LIFE_LEFT_NAMES = (
    "SSD_Life_Left",
    "Percent_Lifetime_Remain",
    "Perc_Rated_Life_Remain",
    "Remaining_Lifetime_Perc",
    "Media_Wearout_Indicator",
)
# The raw value is what is used of the rated life [%].
LIFE_USED_NAMES = ("Percent_Lifetime_Used", "Perc_Rated_Life_Used")
SPARE_LEFT_NAMES = ("Available_Reservd_Space",)
TEMPERATURE_NAMES = ("Temperature_Celsius", "Airflow_Temperature_Cel")
# The unit stands in the name; `Total_LBAs_Written` is not here, for its unit differs between vendors.
VOLUME_NAMES = {
    "written_bytes": {
        "Host_Writes_32MiB": 32 * 2**20,
        "Host_Writes_MiB": 2**20,
        "Host_Writes_GiB": 2**30,
        "Lifetime_Writes_GiB": 2**30,
        "Total_Writes_GiB": 2**30,
        "Total_Writes_32MiB": 32 * 2**20,
    },
    "read_bytes": {
        "Host_Reads_32MiB": 32 * 2**20,
        "Host_Reads_MiB": 2**20,
        "Host_Reads_GiB": 2**30,
        "Lifetime_Reads_GiB": 2**30,
        "Total_Reads_GiB": 2**30,
        "Total_Reads_32MiB": 32 * 2**20,
    },
}


def rows_of_json(document: Document) -> tuple[AttributeRow, ...]:
    """Give the attribute table of smartctl's JSON."""
    return tuple(
        AttributeRow(
            number=number,
            name=name,
            normalised=row.number("value"),
            worst=row.number("worst"),
            threshold=row.number("thresh"),
            raw=row.text("raw", "string") or str(row.number("raw", "value") or 0),
            prefailure=row.flag("flags", "prefailure") or False,
            origin="json:ata_smart_attributes",
        )
        for row in document.rows("ata_smart_attributes", "table")
        if (number := row.number("id")) is not None and (name := row.text("name")) is not None
    )


def read_rows(rows: Iterable[AttributeRow], fields: Fields) -> None:
    """Offer what a table's names allow to be read, and pass all of it on raw."""
    table = tuple(rows)
    named = {row.name: row for row in table}
    for field, names in COUNT_NAMES.items():
        for row in _present(named, names):
            fields.counter(field, row.count(), _source(row))
    for field, volumes in VOLUME_NAMES.items():
        for row in _present(named, volumes):
            if count := row.count():
                fields.counter(field, count * volumes[row.name], _source(row))
    for row in _present(named, TEMPERATURE_NAMES):
        fields.temperature("temperature_c", row.count(), _source(row))
    _read_life(named, fields)
    for row in table:
        _pass_on(row, fields)


def _present(named: dict[str, AttributeRow], names: Iterable[str]) -> tuple[AttributeRow, ...]:
    return tuple(named[name] for name in names if name in named)


def _pass_on(row: AttributeRow, fields: Fields) -> None:
    fields.pass_on(
        row.name,
        row.raw,
        number=row.number,
        normalised=row.normalised,
        worst=row.worst,
        threshold=row.threshold,
    )
    if row.prefailure and _at_threshold(row):
        fields.warn("prefailure_attribute_at_threshold")


def _read_life(named: dict[str, AttributeRow], fields: Fields) -> None:
    for row in _present(named, LIFE_USED_NAMES):
        used = row.count()
        fields.counter("percentage_used", used if used is not None and used <= 255 else None, _source(row))
    for row in _present(named, LIFE_LEFT_NAMES):
        if (left := _percent(row.normalised)) is not None:
            fields.counter("percentage_used", 100 - left, _source(row))
    for row in _present(named, SPARE_LEFT_NAMES):
        if (left := _percent(row.normalised)) is not None:
            fields.counter("available_spare_percent", left, _source(row))
            fields.counter("available_spare_threshold_percent", _percent(row.threshold), _source(row))


def _percent(value: int | None) -> int | None:
    # Tables that count down from 200 or 253 say nothing in percent.
    return value if value is not None and 0 <= value <= 100 else None


def _at_threshold(row: AttributeRow) -> bool:
    # Threshold 0 means "always passing"; failing is normalised <= threshold.
    return bool(row.threshold) and row.normalised is not None and row.normalised <= (row.threshold or 0)


def _source(row: AttributeRow) -> str:
    return f"{row.origin}.{row.name}"
