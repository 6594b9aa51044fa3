"""Reads an ATA drive's health: Device Statistics first, then attributes by name, then pySMART.

Device Statistics (log 04h) are the standard's own and mean the same on every drive; a value counts only if
its flags say both supported and valid. Page 07h's percentage used goes before every vendor attribute.
"""

from typing import Any

from ebbmark_agent.health.attributes import AttributeRow, read_rows, rows_of_json
from ebbmark_agent.health.document import Document
from ebbmark_agent.health.fields import Fields

# (field, page, offset): ATA Command Set ACS-4, 9.5 Device Statistics log.
STATISTICS = (
    ("percentage_used", 0x07, 0x008),
    ("power_cycles", 0x01, 0x008),
    ("power_on_hours", 0x01, 0x010),
    ("reallocated_sectors", 0x03, 0x020),
    ("pending_sectors", 0x03, 0x038),
    ("pending_sectors", 0x01, 0x040),
    ("uncorrectable_errors", 0x04, 0x008),
    ("interface_crc_errors", 0x06, 0x018),
    ("warning_temperature_minutes", 0x05, 0x050),
)
_SECTORS_WRITTEN = (0x01, 0x018)
_SECTORS_READ = (0x01, 0x028)
_CURRENT_TEMPERATURE = (0x05, 0x008)
_MAX_TEMPERATURE = (0x05, 0x058)
_DEFAULT_SECTOR_BYTES = 512


def read_json(document: Document, fields: Fields) -> None:
    """Take what smartctl's JSON holds of an ATA drive."""
    statistics = _statistics(document)
    for name, page, offset in STATISTICS:
        fields.counter(name, statistics.get((page, offset)), _place(page, offset))
    sector_bytes = document.number("logical_block_size") or _DEFAULT_SECTOR_BYTES
    for name, place in (("written_bytes", _SECTORS_WRITTEN), ("read_bytes", _SECTORS_READ)):
        if sectors := statistics.get(place):
            fields.counter(name, sectors * sector_bytes, _place(*place))
    fields.temperature("temperature_c", document.number("temperature", "current"), "json:temperature.current")
    fields.temperature("temperature_c", statistics.get(_CURRENT_TEMPERATURE), _place(*_CURRENT_TEMPERATURE))
    fields.temperature(
        "temperature_limit_c", document.number("temperature", "op_limit_max"), "json:temperature.op_limit_max"
    )
    fields.temperature("temperature_limit_c", statistics.get(_MAX_TEMPERATURE), _place(*_MAX_TEMPERATURE))
    fields.temperature(
        "critical_temperature_limit_c",
        document.number("temperature", "limit_max"),
        "json:temperature.limit_max",
    )
    fields.counter("power_on_hours", document.number("power_on_time", "hours"), "json:power_on_time.hours")
    fields.counter("power_cycles", document.number("power_cycle_count"), "json:power_cycle_count")
    for log in ("extended", "summary"):
        keys = ("ata_smart_error_log", log, "count")
        fields.counter("error_log_entries", document.number(*keys), f"json:{'.'.join(keys)}")
    read_rows(rows_of_json(document), fields)
    _later_forms(document, fields)


def read_pysmart(device: Any, fields: Fields) -> None:
    """Fill what the JSON left open from pySMART's attribute table, by the same rules of name and sense."""
    table = tuple(
        AttributeRow(
            number=row.num,
            name=row.name,
            normalised=row.value_int,
            worst=row.worst,
            threshold=row.thresh if isinstance(row.thresh, int) else None,
            raw=str(row.raw),
            prefailure=str(row.type).lower() == "pre-fail",
            origin="pysmart:attributes",
        )
        for row in device.attributes
        if row is not None
    )
    if table and not fields.vendor:
        read_rows(table, fields)
    fields.temperature("temperature_c", device.temperature, "pysmart:temperature")


def _statistics(document: Document) -> dict[tuple[int, int], int]:
    found: dict[tuple[int, int], int] = {}
    for page in document.rows("ata_device_statistics", "pages"):
        number = page.number("number")
        for row in page.rows("table"):
            offset, value = row.number("offset"), row.number("value")
            if number is not None and offset is not None and value is not None and row.flag("flags", "valid"):
                found[number, offset] = value
    return found


def _place(page: int, offset: int) -> str:
    return f"json:ata_device_statistics.{page:02x}h.{offset:03x}h"


def _later_forms(document: Document, fields: Fields) -> None:
    # From 7.5 on smartctl gives these for ATA too, where it has no better source from a normalised attribute.
    for name, keys in (
        ("percentage_used", ("endurance_used", "current_percent")),
        ("available_spare_percent", ("spare_available", "current_percent")),
        ("available_spare_threshold_percent", ("spare_available", "threshold_percent")),
    ):
        fields.counter(name, document.number(*keys), f"json:{'.'.join(keys)}")
    for name, key in (("written_bytes", "host_writes"), ("read_bytes", "host_reads")):
        units, unit_bytes = document.number(key, "units"), document.number(key, "bytes_per_unit")
        if units and unit_bytes:
            fields.counter(name, units * unit_bytes, f"json:{key}")
