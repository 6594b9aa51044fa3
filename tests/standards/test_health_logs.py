"""What the readers make of a health log, held to the published layouts and worked figures.

Sources, named again beside each check:
NVM Express Base Specification 2.0, SMART / Health Information log page (02h), as kept by the Linux kernel's
`include/linux/nvme.h` (struct nvme_smart_log) and libnvme's `types.h`; ATA Command Set ACS-4 (INCITS 529),
9.5 Device Statistics log, as printed by smartmontools' `ataprint.cpp`; smartctl(8), EXIT STATUS.
"""

import ctypes

import pytest
from ebbmark_agent.health.ata import STATISTICS
from ebbmark_agent.health.nvme import WARNING_BITS, data_units_to_bytes
from ebbmark_agent.report import Assessment, HealthState

from tests.agent.health.conftest import Interpret, told
from tests.agent.health.documents import ata, attribute, nvme, statistics_row

__all__ = ["told"]


class SmartLog(ctypes.LittleEndianStructure):
    """Struct nvme_smart_log as the kernel keeps it, here to make the readers' input from raw bytes."""

    _pack_ = 1
    _fields_ = (
        ("critical_warning", ctypes.c_uint8),
        ("temperature", ctypes.c_uint8 * 2),
        ("avail_spare", ctypes.c_uint8),
        ("spare_thresh", ctypes.c_uint8),
        ("percent_used", ctypes.c_uint8),
        ("endu_grp_crit_warn_sumry", ctypes.c_uint8),
        ("rsvd7", ctypes.c_uint8 * 25),
        ("data_units_read", ctypes.c_uint8 * 16),
        ("data_units_written", ctypes.c_uint8 * 16),
        ("host_reads", ctypes.c_uint8 * 16),
        ("host_writes", ctypes.c_uint8 * 16),
        ("ctrl_busy_time", ctypes.c_uint8 * 16),
        ("power_cycles", ctypes.c_uint8 * 16),
        ("power_on_hours", ctypes.c_uint8 * 16),
        ("unsafe_shutdowns", ctypes.c_uint8 * 16),
        ("media_errors", ctypes.c_uint8 * 16),
        ("num_err_log_entries", ctypes.c_uint8 * 16),
        ("warning_temp_time", ctypes.c_uint32),
        ("critical_comp_time", ctypes.c_uint32),
        ("temp_sensor", ctypes.c_uint16 * 8),
        ("thm_temp1_trans_count", ctypes.c_uint32),
        ("thm_temp2_trans_count", ctypes.c_uint32),
        ("thm_temp1_total_time", ctypes.c_uint32),
        ("thm_temp2_total_time", ctypes.c_uint32),
        ("rsvd232", ctypes.c_uint8 * 280),
    )


WIDE = (
    "data_units_read",
    "data_units_written",
    "host_reads",
    "host_writes",
    "power_cycles",
    "power_on_hours",
    "unsafe_shutdowns",
    "media_errors",
    "num_err_log_entries",
)


def as_smartctl_prints(raw: bytes) -> dict[str, object]:
    """Give a raw log page as smartctl's JSON does: kelvin less 273, counters as numbers, sensors by place."""
    log = SmartLog.from_buffer_copy(raw)
    printed: dict[str, object] = {name: int.from_bytes(bytes(getattr(log, name)), "little") for name in WIDE}
    printed |= {
        "critical_warning": log.critical_warning,
        "temperature": int.from_bytes(bytes(log.temperature), "little") - 273,
        "available_spare": log.avail_spare,
        "available_spare_threshold": log.spare_thresh,
        "percentage_used": log.percent_used,
        "warning_temp_time": log.warning_temp_time,
        "critical_comp_time": log.critical_comp_time,
        "temperature_sensors": [kelvin - 273 for kelvin in log.temp_sensor if kelvin],
        "thermal_mgmt_temperature_1_transition_count": log.thm_temp1_trans_count,
        "thermal_mgmt_temperature_2_transition_count": log.thm_temp2_trans_count,
    }
    return printed


def test_log_page_is_512_bytes() -> None:
    """The page is 512 bytes, with the fields where the standard has them.

    Source: NVM Express Base Specification 2.0, log 02h: data units written at byte 48, media errors at 160,
    warning temperature time at 192, thermal transitions at 216.
    """
    assert ctypes.sizeof(SmartLog) == 512
    assert (
        SmartLog.data_units_written.offset,
        SmartLog.media_errors.offset,
        SmartLog.warning_temp_time.offset,
        SmartLog.thm_temp1_trans_count.offset,
    ) == (48, 160, 192, 216)


def test_raw_page_through_the_reader(told: Interpret) -> None:
    """A page of known bytes comes out field by field.

    Source: as above; 310 K is 37 °C by smartctl's rule of 273.
    """
    page = bytearray(512)
    page[0] = 0b0000_0101
    page[1:3] = (310).to_bytes(2, "little")
    page[3:6] = bytes([9, 10, 20])
    page[48:64] = (234_375_000).to_bytes(16, "little")
    page[112:128] = (57).to_bytes(16, "little")
    page[128:144] = (1_234).to_bytes(16, "little")
    page[144:160] = (4).to_bytes(16, "little")
    page[160:176] = (6).to_bytes(16, "little")
    page[192:196] = (11).to_bytes(4, "little")
    page[196:200] = (2).to_bytes(4, "little")
    page[216:220] = (3).to_bytes(4, "little")
    page[220:224] = (5).to_bytes(4, "little")
    reading = told(nvme(status=8, log=as_smartctl_prints(bytes(page)))).reading

    assert reading.critical_warnings == ("spare_below_threshold", "reliability_degraded")
    assert (reading.temperature_c, reading.available_spare_percent, reading.percentage_used) == (37.0, 9, 20)
    assert (reading.power_cycles, reading.power_on_hours, reading.unsafe_shutdowns) == (57, 1_234, 4)
    assert (reading.media_errors, reading.warning_temperature_minutes) == (6, 11)
    assert (reading.critical_temperature_minutes, reading.thermal_transitions) == (2, 8)
    assert reading.written_bytes == 120_000_000_000_000


def test_largest_counter_of_the_page(told: Interpret) -> None:
    """A 128-bit counter with its top bit set is wider than any report and is left out, whole.

    Source: NVM Express Base Specification 2.0: the counters are 16 bytes, little endian.
    """
    page = bytearray(512)
    page[128:144] = (1 << 127).to_bytes(16, "little")
    reading = told(nvme(log=as_smartctl_prints(bytes(page)))).reading

    assert reading.power_on_hours is None


@pytest.mark.parametrize(
    ("bit", "name"),
    [
        (0, "spare_below_threshold"),
        (1, "temperature_above_or_below_threshold"),
        (2, "reliability_degraded"),
        (3, "media_read_only"),
        (4, "volatile_memory_backup_failed"),
        (5, "persistent_memory_region_unreliable"),
    ],
)
def test_critical_warning_bits(bit: int, name: str) -> None:
    """Each bit of byte 0 has the meaning the standard gives it, by smartctl's own name for it.

    Source: NVM Express Base Specification 2.0, log 02h, byte 0; names as in smartmontools' nvmeprint.cpp.
    """
    assert dict(WARNING_BITS)[1 << bit] == name


@pytest.mark.parametrize(
    ("units", "written"),
    [
        pytest.param(234_375_000, 120_000_000_000_000, id="120 TB"),
        pytest.param(1, 512_000, id="one unit"),
        pytest.param(2_098, 1_074_176_000, id="one GiB rounded up"),
    ],
)
def test_data_units(units: int, written: int) -> None:
    """A data unit is 1000 units of 512 bytes; 1 GiB written counts as 2098 of them, rounded up.

    Source: NVM Express Base Specification 2.0, log 02h; 1 GiB worked as ceil(2^30 / 512000).
    """
    assert data_units_to_bytes(units) == written


# Source: ACS-4, 9.5, Device Statistics log: page, offset, name as smartmontools prints it.
PUBLISHED_STATISTICS = (
    ("power_cycles", 0x01, 0x008, "Lifetime Power-On Resets"),
    ("power_on_hours", 0x01, 0x010, "Power-on Hours"),
    ("pending_sectors", 0x01, 0x040, "Pending Error Count"),
    ("reallocated_sectors", 0x03, 0x020, "Number of Reallocated Logical Sectors"),
    ("pending_sectors", 0x03, 0x038, "Number of Realloc. Candidate Logical Sectors"),
    ("uncorrectable_errors", 0x04, 0x008, "Number of Reported Uncorrectable Errors"),
    ("warning_temperature_minutes", 0x05, 0x050, "Time in Over-Temperature"),
    ("interface_crc_errors", 0x06, 0x018, "Number of Interface CRC Errors"),
    ("percentage_used", 0x07, 0x008, "Percentage Used Endurance Indicator"),
)


@pytest.mark.parametrize(("field", "page", "offset", "name"), PUBLISHED_STATISTICS)
def test_device_statistics(told: Interpret, field: str, page: int, offset: int, name: str) -> None:
    """Each statistic is read from the page and offset the standard gives it."""
    reading = told(ata(pages={page: [statistics_row(offset, 17, name=name)]})).reading

    assert getattr(reading, field) == 17
    assert (field, page, offset) in STATISTICS


def test_no_statistic_beyond_the_published() -> None:
    """The reader takes no statistic that the published table above does not have."""
    assert {entry[:3] for entry in PUBLISHED_STATISTICS} == set(STATISTICS)


@pytest.mark.parametrize(
    ("status", "state", "assessment"),
    [
        pytest.param(0x00, HealthState.READ, Assessment.PASSED, id="nothing"),
        pytest.param(0x04, HealthState.READ, Assessment.PASSED, id="bit 2, a command failed"),
        pytest.param(0x20, HealthState.READ, Assessment.PASSED, id="bit 5, an attribute in the past"),
        pytest.param(0x40, HealthState.READ, Assessment.PASSED, id="bit 6, error log has records"),
        pytest.param(0x80, HealthState.READ, Assessment.PASSED, id="bit 7, self-test log has errors"),
    ],
)
def test_exit_bits_that_are_no_failure(
    told: Interpret, status: int, state: HealthState, assessment: Assessment
) -> None:
    """Exit bits 2 and 5 to 7 alone do not make a drive failing.

    Source: smartctl(8), EXIT STATUS.
    """
    reading = told(ata(status=status, attributes=[attribute(9, "Power_On_Hours", 1)])).reading

    assert (reading.state, reading.assessment, reading.exit_status) == (state, assessment, status)


def test_exit_bit_of_a_failing_drive(told: Interpret) -> None:
    """Exit bit 3, DISK FAILING, makes the assessment failed where the JSON does not say.

    Source: smartctl(8), EXIT STATUS.
    """
    document = ata(status=0x08, attributes=[attribute(9, "Power_On_Hours", 1)])
    del document["smart_status"]
    reading = told(document).reading

    assert reading.assessment is Assessment.FAILED
    assert reading.sources["assessment"] == "smartctl exit bit 3"


def test_failure_is_at_or_below_the_threshold(told: Interpret) -> None:
    """An attribute fails when its normalised value is at or below its threshold; threshold 0 never fails.

    Source: smartctl(8), on the attribute table.
    """

    def warned(value: int, threshold: int) -> bool:
        row = attribute(5, "Reallocated_Sector_Ct", 1, value=value, threshold=threshold, prefailure=True)
        return bool(told(ata(attributes=[row])).reading.critical_warnings)

    assert [warned(37, 36), warned(36, 36), warned(35, 36), warned(0, 0)] == [False, True, True, False]
