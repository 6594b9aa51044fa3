"""A health read of an invented drive: its counters as its protocol would tell them, and no others."""

from datetime import datetime

from ebbmark_agent.report import Assessment, HealthReading, HealthState

from sample_fleet.physics.build import Medium
from sample_fleet.physics.condition import settled_temperature
from sample_fleet.physics.life import Counters, Day, progress
from sample_fleet.physics.nature import Trouble
from sample_fleet.studio.invent import Drive
from sample_fleet.studio.lines import Link

_LOST_AT = 0.9  # [1] sickness from which the drive itself says that it fails


def bridge_hides_health(drive: Drive) -> bool:
    """Tell whether this drive's bridge lets no health through: three cased drives in ten."""
    return drive.line.link is Link.USB and int(drive.asset_tag[-2:]) % 10 < 3


def read_health(drive: Drive, day: Day, at: datetime) -> HealthReading:
    """Read a drive's health."""
    if not drive.own_identity or bridge_hides_health(drive):
        return HealthReading(
            read_at=at, state=HealthState.UNKNOWN_BRIDGE, sentence="The bridge passes no health on."
        )
    counters, nature = day.counters, drive.nature
    lost = (
        nature.course.trouble is Trouble.SICK
        and nature.course.visible_in_health
        and progress(nature, day.number) > _LOST_AT
    )
    temperature = float(round(settled_temperature(nature.build, day.condition, 0.0)))
    told = {
        "read_at": at,
        "state": HealthState.READ,
        "sentence": "Health was read.",
        "assessment": Assessment.FAILED if lost else Assessment.PASSED,
        "protocol": drive.line.protocol,
        "temperature_c": temperature,
        "power_on_hours": counters.power_on_hours,
        "written_bytes": counters.written_bytes,
    }
    told |= _nvme(counters) if drive.line.protocol == "nvme" else _ata(drive, counters)
    return HealthReading.model_validate(told)


def _nvme(counters: Counters) -> dict[str, object]:
    low = counters.spare_percent < 10
    return {
        "percentage_used": counters.percentage_used,
        "available_spare_percent": counters.spare_percent,
        "available_spare_threshold_percent": 10,
        "media_errors": counters.media_errors,
        "warning_temperature_minutes": counters.warm_minutes,
        "critical_temperature_minutes": 0,
        "critical_warnings": ("spare_below_threshold",) if low else (),
    }


def _ata(drive: Drive, counters: Counters) -> dict[str, object]:
    flash = drive.line.build.medium is Medium.FLASH
    told: dict[str, object] = {
        "reallocated_sectors": counters.reallocated,
        "uncorrectable_errors": counters.media_errors if flash else counters.uncorrectable,
        "interface_crc_errors": counters.crc_errors,
    }
    if flash:
        told["percentage_used"] = counters.percentage_used
    else:
        told["pending_sectors"] = counters.pending
    return told
