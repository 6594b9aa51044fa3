"""Reads a SCSI or SAS drive's health: from smartctl's JSON where its release tells it, else from pySMART.

smartctl before 7.4 prints a SAS drive's used endurance as text only: there pySMART's figure is the source.
"""

from typing import Any

from ebbmark_agent.health.document import Document
from ebbmark_agent.health.fields import Fields

_GB = 1_000_000_000  # [bytes] the unit of smartctl's "Gigabytes processed"


def read_json(document: Document, fields: Fields) -> None:
    """Take what smartctl's JSON holds of a SCSI drive."""
    indicator = "scsi_percentage_used_endurance_indicator"
    fields.counter("percentage_used", document.number(indicator), f"json:{indicator}")
    later = ("endurance_used", "current_percent")
    fields.counter("percentage_used", document.number(*later), f"json:{'.'.join(later)}")
    fields.counter("power_on_hours", document.number("power_on_time", "hours"), "json:power_on_time.hours")
    fields.counter(
        "reallocated_sectors", document.number("scsi_grown_defect_list"), "json:scsi_grown_defect_list"
    )
    fields.counter(
        "pending_sectors", document.number("scsi_pending_defects", "count"), "json:scsi_pending_defects.count"
    )
    # The standard's temperature page says 0 for "0 °C or colder"; from a controller it is a filling.
    now = document.number("temperature", "current") or None
    fields.temperature("temperature_c", now, "json:temperature.current")
    environment = ("scsi_environmental_reports", "temperature_1", "current")
    fields.temperature("temperature_c", document.number(*environment), f"json:{'.'.join(environment)}")
    fields.temperature(
        "critical_temperature_limit_c",
        document.number("temperature", "drive_trip"),
        "json:temperature.drive_trip",
    )
    log = document.part("scsi_error_counter_log")
    for name, key in (("written_bytes", "write"), ("read_bytes", "read")):
        if gigabytes := log.decimal(key, "gigabytes_processed"):
            fields.counter(
                name, round(gigabytes * _GB), f"json:scsi_error_counter_log.{key}.gigabytes_processed"
            )
    uncorrected = [
        count
        for key in ("read", "write", "verify")
        if (count := log.number(key, "total_uncorrected_errors")) is not None
    ]
    if uncorrected:
        fields.counter(
            "uncorrectable_errors",
            sum(uncorrected),
            "json:scsi_error_counter_log.*.total_uncorrected_errors",
        )
    cycles = document.part("scsi_start_stop_cycle_counter")
    for key in ("accumulated_start_stop_cycles", "specified_cycle_count_over_device_lifetime"):
        if (value := cycles.number(key)) is not None:
            fields.pass_on(key, value)


def read_pysmart(device: Any, fields: Fields) -> None:
    """Fill what the JSON left open from pySMART's diagnostics."""
    found = device.diagnostics
    life_left = getattr(found, "Life_Left", None)
    if life_left is not None:
        fields.counter("percentage_used", 100 - life_left, "pysmart:diagnostics.Life_Left")
    fields.counter(
        "reallocated_sectors",
        getattr(found, "Reallocated_Sector_Ct", None),
        "pysmart:diagnostics.Reallocated_Sector_Ct",
    )
    fields.counter(
        "power_on_hours", _hours(getattr(found, "Power_On_Hours", None)), "pysmart:diagnostics.Power_On_Hours"
    )
    for name, attribute in (("written_bytes", "Writes_GB"), ("read_bytes", "Reads_GB")):
        if gigabytes := getattr(found, attribute, None):
            fields.counter(name, round(gigabytes * _GB), f"pysmart:diagnostics.{attribute}")
    uncorrected = [
        count
        for attribute in ("Uncorrected_Reads", "Uncorrected_Writes", "Uncorrected_Verifies")
        if isinstance(count := getattr(found, attribute, None), int)
    ]
    if uncorrected:
        fields.counter("uncorrectable_errors", sum(uncorrected), "pysmart:diagnostics.Uncorrected_*")
    fields.temperature("temperature_c", device.temperature or None, "pysmart:temperature")


def _hours(value: object) -> int | None:
    return round(value) if isinstance(value, int | float) else None
