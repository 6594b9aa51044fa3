"""Reads an NVMe drive's health: log page 02h in full, from smartctl's JSON first, from pySMART second.

Rules, after the NVM Express Base Specification 2.0, SMART / Health Information log (02h):
1. `percentage_used` may exceed 100; 255 stands for "more than 254".
2. A spare equal to its threshold is not below it: only the drive's own warning bit says that it is.
3. Data units are thousands of 512 bytes, rounded up; 0 means the drive does not report them.
4. Critical warnings are the state now, one bit each; reserved bits are passed on by number.
"""

from typing import Any

from ebbmark_agent.health.document import Document
from ebbmark_agent.health.fields import Fields

BYTES_PER_DATA_UNIT = 512_000  # [bytes] 1000 units of 512 bytes

# Bits of byte 0 of the log.
WARNING_BITS = (
    (0x01, "spare_below_threshold"),
    (0x02, "temperature_above_or_below_threshold"),
    (0x04, "reliability_degraded"),
    (0x08, "media_read_only"),
    (0x10, "volatile_memory_backup_failed"),
    (0x20, "persistent_memory_region_unreliable"),
)
_RESERVED_BITS = ((0x40, "reserved_warning_bit_6"), (0x80, "reserved_warning_bit_7"))

_LOG = "nvme_smart_health_information_log"
_COUNTERS = (
    ("percentage_used", "percentage_used"),
    ("available_spare_percent", "available_spare"),
    ("available_spare_threshold_percent", "available_spare_threshold"),
    ("power_on_hours", "power_on_hours"),
    ("power_cycles", "power_cycles"),
    ("unsafe_shutdowns", "unsafe_shutdowns"),
    ("media_errors", "media_errors"),
    ("error_log_entries", "num_err_log_entries"),
    ("warning_temperature_minutes", "warning_temp_time"),
    ("critical_temperature_minutes", "critical_comp_time"),
)
_FURTHER = (
    "controller_busy_time",
    "host_reads",
    "host_writes",
    "thermal_mgmt_temperature_1_transition_count",
    "thermal_mgmt_temperature_1_total_time",
    "thermal_mgmt_temperature_2_transition_count",
    "thermal_mgmt_temperature_2_total_time",
)
_PYSMART_COUNTERS = (
    ("percentage_used", "percentageUsed"),
    ("available_spare_percent", "availableSpare"),
    ("available_spare_threshold_percent", "availableSpareThreshold"),
    ("power_on_hours", "powerOnHours"),
    ("power_cycles", "powerCycles"),
    ("unsafe_shutdowns", "unsafeShutdowns"),
    ("media_errors", "integrityErrors"),
    ("error_log_entries", "errorEntries"),
    ("warning_temperature_minutes", "warningTemperatureTime"),
    ("critical_temperature_minutes", "criticalTemperatureTime"),
)


def warning_codes(bits: int) -> tuple[str, ...]:
    """Name the bits of the critical warning byte.

    Args:
        bits: byte 0 of the log [1].

    Returns:
        One name a set bit, lowest bit first.

    Source:
        NVM Express Base Specification 2.0, SMART / Health Information log, byte 0.
    """
    return tuple(name for bit, name in (*WARNING_BITS, *_RESERVED_BITS) if bits & bit)


def data_units_to_bytes(units: int | None) -> int | None:
    """Turn data units into bytes.

    Args:
        units: the log's count [512 000 bytes], or None.

    Returns:
        The bytes, rounded up by the drive to 512 000 [bytes]; None where 0 says "not reported".

    Source:
        NVM Express Base Specification 2.0, SMART / Health Information log, Data Units Read and Written.
    """
    return units * BYTES_PER_DATA_UNIT if units else None


def read_json(document: Document, fields: Fields) -> None:
    """Take all of the log that smartctl's JSON holds, also in the forms of its later releases."""
    log = document.part(_LOG)
    for name, key in _COUNTERS:
        fields.counter(name, log.number(key), f"json:{_LOG}.{key}")
    fields.temperature("temperature_c", log.number("temperature"), f"json:{_LOG}.temperature")
    for name, key, later in (
        ("written_bytes", "data_units_written", "host_writes"),
        ("read_bytes", "data_units_read", "host_reads"),
    ):
        fields.counter(name, data_units_to_bytes(log.number(key)), f"json:{_LOG}.{key}")
        fields.counter(name, _later_volume(document, later), f"json:{later}")
    _later_wear(document, fields)
    _transitions(log, fields)
    bits = log.number("critical_warning")
    if bits is None:
        bits = document.number("smart_status", "nvme", "value")
    for code in warning_codes(bits or 0):
        fields.warn(code)
    limits = document.part("nvme_composite_temperature_threshold")
    for name, key in (("temperature_limit_c", "warning"), ("critical_temperature_limit_c", "critical")):
        fields.temperature(name, limits.number(key), f"json:nvme_composite_temperature_threshold.{key}")
    for key in _FURTHER:
        if (value := log.number(key)) is not None:
            fields.pass_on(key, value)
    for place, degrees in log.numbers("temperature_sensors"):
        fields.pass_on(f"temperature_sensor_{place + 1}_c", degrees)


def read_pysmart(device: Any, fields: Fields) -> None:
    """Fill what the JSON left open from pySMART's `NvmeAttributes`.

    Its byte counts are rounded to three digits, so the data units are taken and multiplied here.
    """
    log = device.if_attributes
    for name, attribute in _PYSMART_COUNTERS:
        fields.counter(name, getattr(log, attribute, None), f"pysmart:{attribute}")
    for name, attribute in (("written_bytes", "dataUnitsWritten"), ("read_bytes", "dataUnitsRead")):
        fields.counter(name, data_units_to_bytes(getattr(log, attribute, None)), f"pysmart:{attribute}")
    fields.temperature("temperature_c", device.temperature, "pysmart:temperature")
    if not fields.warnings:
        for code in warning_codes(getattr(log, "criticalWarning", None) or 0):
            fields.warn(code)


def _later_volume(document: Document, key: str) -> int | None:
    units = document.number(key, "units")
    per_unit = document.number(key, "bytes_per_unit")
    return units * per_unit if units and per_unit else None


def _later_wear(document: Document, fields: Fields) -> None:
    for name, keys in (
        ("percentage_used", ("endurance_used", "current_percent")),
        ("available_spare_percent", ("spare_available", "current_percent")),
        ("available_spare_threshold_percent", ("spare_available", "threshold_percent")),
    ):
        fields.counter(name, document.number(*keys), f"json:{'.'.join(keys)}")


def _transitions(log: Document, fields: Fields) -> None:
    counts = [log.number(f"thermal_mgmt_temperature_{level}_transition_count") for level in (1, 2)]
    known = [count for count in counts if count is not None]
    if known:
        fields.counter(
            "thermal_transitions", sum(known), f"json:{_LOG}.thermal_mgmt_temperature_*_transition_count"
        )
