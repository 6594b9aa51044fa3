"""SCSI and SAS health: JSON where it tells, the text where only that does."""

from tests.agent.health.conftest import Interpret
from tests.agent.health.documents import scsi

# Our own words in the form smartctl 7.3 prints for a SAS drive whose JSON lacks the endurance line.
SAS_TEXT = tuple(
    """smartctl 7.3 2022-02-28 r5338 [x86_64-linux-6.1.0] (local build)
Copyright (C) 2002-22, Bruce Allen, Christian Franke, www.smartmontools.org

=== START OF INFORMATION SECTION ===
Vendor:               INVENTED
Product:              Flash 12
Revision:             0001
User Capacity:        960,000,000,000 bytes [960 GB]
Logical block size:   512 bytes
Rotation Rate:        Solid State Device
Serial number:        INV-0009
Transport protocol:   SAS (SPL-4)
SMART support is:     Available - device has SMART capability.
SMART support is:     Enabled

=== START OF READ SMART DATA SECTION ===
SMART Health Status: OK

Percentage used endurance indicator: 17%
Current Drive Temperature:     36 C
Drive Trip Temperature:        70 C

Elements in grown defect list: 2

Error counter log:
           Errors Corrected by           Total   Correction     Gigabytes    Total
               ECC          rereads/    errors   algorithm      processed    uncorrected
           fast | delayed   rewrites  corrected  invocations   [10^9 bytes]  errors
read:          0        0         0         0          0       1234.500           0
write:         0        0         0         0          0       2000.250           1
verify:        0        0         0         0          0          0.000           0
""".splitlines()
)


def test_json_of_a_later_release(told: Interpret) -> None:
    """Endurance, defects, hours, volume and uncorrected errors come from the JSON where it has them."""
    document = scsi(
        scsi_percentage_used_endurance_indicator=6,
        scsi_grown_defect_list=3,
        power_on_time={"hours": 4_321},
        temperature={"current": 33, "drive_trip": 65},
        scsi_error_counter_log={
            "read": {"gigabytes_processed": "10.500", "total_uncorrected_errors": 1},
            "write": {"gigabytes_processed": "20.250", "total_uncorrected_errors": 2},
        },
    )
    reading = told(document).reading

    assert (
        reading.percentage_used,
        reading.reallocated_sectors,
        reading.power_on_hours,
        reading.uncorrectable_errors,
    ) == (6, 3, 4_321, 3)
    assert (reading.written_bytes, reading.read_bytes) == (20_250_000_000, 10_500_000_000)
    assert (reading.temperature_c, reading.critical_temperature_limit_c) == (33.0, 65.0)


def test_text_fills_what_json_lacks(told: Interpret) -> None:
    """Where the JSON has no endurance line the text's is taken, and its source says so."""
    reading = told(scsi(temperature={"current": 35}), lines=SAS_TEXT).reading

    assert reading.percentage_used == 17
    assert reading.sources["percentage_used"] == "pysmart:diagnostics.Life_Left"
    assert reading.written_bytes == 2_000_250_000_000
    assert reading.reallocated_sectors == 2
    assert reading.uncorrectable_errors == 1


def test_json_is_not_overruled_by_the_text(told: Interpret) -> None:
    """A value the JSON has stays, whatever the text says."""
    reading = told(scsi(temperature={"current": 35}), lines=SAS_TEXT).reading

    assert reading.temperature_c == 35.0
    assert reading.sources["temperature_c"] == "json:temperature.current"


def test_zero_degrees_are_a_filling(told: Interpret) -> None:
    """0 °C, which controllers answer for volumes without a sensor, is no temperature."""
    assert told(scsi(temperature={"current": 0}, scsi_grown_defect_list=0)).reading.temperature_c is None


def test_predicted_failure_is_failed(told: Interpret) -> None:
    """A drive that predicts its failure counts as failed, though one log could not be read."""
    document = scsi(
        status=12,
        smart_status={"passed": False, "scsi": {"asc": 93, "ascq": 255, "ie_string": "FAILURE PREDICTION"}},
    )
    reading = told(document).reading

    assert reading.assessment == "failed"
    assert "take it out of use" in reading.sentence
