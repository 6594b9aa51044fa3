"""smartctl's JSON for invented drives, in the shapes its releases 7.3, 7.4, 7.5 and 8.0 give it."""

from typing import Any

Document = dict[str, Any]


def envelope(
    *, status: int = 0, version: tuple[int, int] = (7, 3), messages: tuple[str, ...] = ()
) -> Document:
    """The part every answer has."""
    said = [{"string": text, "severity": "error"} for text in messages]
    return {
        "json_format_version": [1, 0],
        "smartctl": {
            "version": list(version),
            "argv": ["smartctl", "--json=o"],
            **({"messages": said} if said else {}),
            "exit_status": status,
        },
    }


def nvme(*, status: int = 0, log: Document | None = None, **further: Any) -> Document:
    """An NVMe drive of release 7.3; `log` overrides values of its health log."""
    base = {
        "critical_warning": 0,
        "temperature": 41,
        "available_spare": 100,
        "available_spare_threshold": 10,
        "percentage_used": 3,
        "data_units_read": 2_000,
        "data_units_written": 234_375_000,
        "host_reads": 71_000,
        "host_writes": 93_000,
        "controller_busy_time": 812,
        "power_cycles": 57,
        "power_on_hours": 1_234,
        "unsafe_shutdowns": 4,
        "media_errors": 0,
        "num_err_log_entries": 9,
        "warning_temp_time": 2,
        "critical_comp_time": 0,
        **(log or {}),
    }
    bits = base["critical_warning"]
    return {
        **envelope(status=status),
        "device": {"name": "/dev/nvme0", "info_name": "/dev/nvme0", "type": "nvme", "protocol": "NVMe"},
        "model_name": "Invented Flash 2",
        "serial_number": "INV-0001",
        "firmware_version": "1.0",
        "smart_support": {"available": True, "enabled": True},
        "smart_status": {"passed": not bits, "nvme": {"value": bits}},
        "nvme_smart_health_information_log": base,
        **further,
    }


def statistics_row(offset: int, value: int, *, valid: bool = True, name: str = "") -> Document:
    """One value of an ATA Device Statistics page."""
    return {
        "offset": offset,
        "name": name or f"value at {offset}",
        "size": 4,
        "value": value,
        "flags": {"value": 192 if valid else 128, "valid": valid, "normalized": False},
    }


def statistics(pages: dict[int, list[Document]]) -> Document:
    """The Device Statistics log with these pages."""
    return {"pages": [{"number": number, "revision": 1, "table": rows} for number, rows in pages.items()]}


def attribute(
    number: int,
    name: str,
    raw: str | int,
    *,
    value: int = 100,
    worst: int = 100,
    threshold: int = 0,
    prefailure: bool = False,
) -> Document:
    """One row of the attribute table."""
    digits = "".join(char for char in str(raw).split(" ")[0] if char.isdigit()) or "0"
    return {
        "id": number,
        "name": name,
        "value": value,
        "worst": worst,
        "thresh": threshold,
        "when_failed": "now" if threshold and value <= threshold else "",
        "flags": {"value": 3 if prefailure else 2, "prefailure": prefailure},
        "raw": {"value": int(digits), "string": str(raw)},
    }


def ata(
    *,
    status: int = 0,
    attributes: list[Document] | None = None,
    pages: dict[int, list[Document]] | None = None,
    device_type: str = "sat",
    **further: Any,
) -> Document:
    """A SATA drive of release 7.3."""
    return {
        **envelope(status=status),
        "device": {"name": "/dev/sda", "info_name": "/dev/sda [SAT]", "type": device_type, "protocol": "ATA"},
        "model_name": "Invented Disk 4",
        "serial_number": "INV-0002",
        "firmware_version": "2.1",
        "logical_block_size": 512,
        "smart_support": {"available": True, "enabled": True},
        "smart_status": {"passed": True},
        **({"ata_smart_attributes": {"revision": 1, "table": attributes}} if attributes else {}),
        **({"ata_device_statistics": statistics(pages)} if pages else {}),
        **further,
    }


def scsi(*, status: int = 0, **further: Any) -> Document:
    """A SAS drive of release 7.3."""
    return {
        **envelope(status=status),
        "device": {"name": "/dev/sdb", "info_name": "/dev/sdb", "type": "scsi", "protocol": "SCSI"},
        "scsi_vendor": "INVENTED",
        "scsi_product": "Spindle 9",
        "scsi_model_name": "INVENTED Spindle 9",
        "scsi_revision": "0001",
        "serial_number": "INV-0003",
        "smart_support": {"available": True, "enabled": True},
        "smart_status": {"passed": True},
        **further,
    }
