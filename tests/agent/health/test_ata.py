"""ATA health: device statistics before attributes, attributes by name and sense only."""

import pytest
from ebbmark_agent.health.attributes import AttributeRow, read_rows
from ebbmark_agent.health.fields import Fields
from ebbmark_agent.report import HealthState
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.health.conftest import Interpret
from tests.agent.health.documents import ata, attribute, statistics_row


def test_page_07h_goes_before_every_attribute(told: Interpret) -> None:
    """The standard's percentage used wins over a vendor's life left."""
    document = ata(
        attributes=[attribute(231, "SSD_Life_Left", 60, value=60)], pages={7: [statistics_row(8, 12)]}
    )
    reading = told(document).reading

    assert reading.percentage_used == 12
    assert reading.sources["percentage_used"] == "json:ata_device_statistics.07h.008h"


def test_statistics_that_are_not_valid_do_not_count(told: Interpret) -> None:
    """A value whose flags do not say valid is passed over, and the next source is used."""
    document = ata(
        attributes=[attribute(231, "SSD_Life_Left", 60, value=60)],
        pages={7: [statistics_row(8, 12, valid=False)]},
    )

    assert told(document).reading.percentage_used == 40


@pytest.mark.parametrize(
    ("row", "used"),
    [
        pytest.param(attribute(202, "Percent_Lifetime_Remain", 7, value=93), 7, id="remaining counts down"),
        pytest.param(attribute(202, "Perc_Rated_Life_Used", 7, value=93), 7, id="used counts up"),
        pytest.param(attribute(202, "Percent_Lifetime_Used", 31, value=69), 31, id="used, other name"),
        pytest.param(attribute(233, "Media_Wearout_Indicator", 0, value=88), 12, id="wearout counts down"),
    ],
)
def test_one_number_with_two_senses(told: Interpret, row: dict[str, object], used: int) -> None:
    """The same attribute number is read by its name's sense."""
    assert used == told(ata(attributes=[row])).reading.percentage_used


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(attribute(202, "Data_Address_Mark_Errs", 0, value=100), id="202 of a disk"),
        pytest.param(attribute(231, "Temperature_Celsius", 34, value=66), id="231 of a disk"),
        pytest.param(attribute(231, "Unknown_Attribute", 34, value=66), id="231 unknown"),
        pytest.param(attribute(226, "Workld_Media_Wear_Indic", 1024, value=100), id="workload, not life"),
        pytest.param(attribute(231, "SSD_Life_Left", 34, value=200), id="counts from 200"),
    ],
)
def test_no_wear_from_a_number_alone(told: Interpret, row: dict[str, object]) -> None:
    """An attribute number that means life on one drive says nothing on another."""
    assert told(ata(attributes=[row])).reading.percentage_used is None


@pytest.mark.parametrize(
    ("name", "raw", "written"),
    [
        pytest.param("Host_Writes_32MiB", 3, 100_663_296, id="32 MiB"),
        pytest.param("Host_Writes_GiB", 3, 3_221_225_472, id="GiB"),
        pytest.param("Total_LBAs_Written", 714, None, id="unit not told"),
    ],
)
def test_volume_only_where_the_name_tells_the_unit(
    told: Interpret, name: str, raw: int, written: int | None
) -> None:
    """Bytes written come from an attribute only if its name says the unit; else it is passed on raw."""
    reading = told(ata(attributes=[attribute(241, name, raw)])).reading

    assert written == reading.written_bytes
    assert (name, str(raw)) in {(value.name, value.raw) for value in reading.vendor}


def test_sectors_written_use_the_logical_sector(told: Interpret) -> None:
    """Logical sectors written count in the drive's logical sector size."""
    document = ata(
        pages={1: [statistics_row(0x18, 1_000), statistics_row(0x28, 500)]}, logical_block_size=4096
    )
    reading = told(document).reading

    assert (reading.written_bytes, reading.read_bytes) == (4_096_000, 2_048_000)


def test_no_sectors_written_is_not_reported(told: Interpret) -> None:
    """0 sectors written says nothing of a drive in use."""
    assert told(ata(pages={1: [statistics_row(0x18, 0)]})).reading.written_bytes is None


def test_error_counters_by_page_and_offset(told: Interpret) -> None:
    """Reallocated, candidate, uncorrectable, link and over-temperature counts come from their pages."""
    pages = {
        3: [statistics_row(0x20, 11), statistics_row(0x38, 12)],
        4: [statistics_row(0x08, 13)],
        5: [statistics_row(0x08, 44), statistics_row(0x50, 14), statistics_row(0x58, 70)],
        6: [statistics_row(0x18, 15)],
    }
    reading = told(ata(pages=pages)).reading

    assert (
        reading.reallocated_sectors,
        reading.pending_sectors,
        reading.uncorrectable_errors,
        reading.warning_temperature_minutes,
        reading.interface_crc_errors,
    ) == (11, 12, 13, 14, 15)
    assert (reading.temperature_c, reading.temperature_limit_c) == (44.0, 70.0)


def test_packed_raw_values_are_read_as_shown(told: Interpret) -> None:
    """A raw temperature packed with its extremes is read as the number smartctl shows first."""
    row = attribute(194, "Temperature_Celsius", "31 (Min/Max 18/52)", value=69)

    assert told(ata(attributes=[row])).reading.temperature_c == 31.0


def test_crc_errors_that_are_writes_are_not_crc_errors(told: Interpret) -> None:
    """Number 199 named for host writes raises no link error."""
    reading = told(ata(attributes=[attribute(199, "Host_Writes_GiB", 900)])).reading

    assert reading.interface_crc_errors is None


def test_prefailure_at_threshold_is_a_warning(told: Interpret) -> None:
    """A pre-failure attribute at its threshold is a warning; failing means at or below."""
    rows = [attribute(5, "Reallocated_Sector_Ct", 999, value=36, threshold=36, prefailure=True)]

    assert told(ata(status=16, attributes=rows)).reading.critical_warnings == (
        "prefailure_attribute_at_threshold",
    )


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(
            attribute(5, "Reallocated_Sector_Ct", 1, value=37, threshold=36, prefailure=True), id="above"
        ),
        pytest.param(
            attribute(5, "Reallocated_Sector_Ct", 1, value=0, threshold=0, prefailure=True), id="zero"
        ),
        pytest.param(attribute(9, "Power_On_Hours", 1, value=1, threshold=1), id="advisory"),
    ],
)
def test_no_warning_above_threshold_at_zero_or_for_age(told: Interpret, row: dict[str, object]) -> None:
    """Above the threshold, with threshold 0 (always passing) or for an age attribute there is no warning."""
    assert told(ata(attributes=[row])).reading.critical_warnings == ()


def test_failed_log_command_is_no_failing_drive(told: Interpret) -> None:
    """Exit bit 2 alone leaves the drive read and passed, with a sentence that calms."""
    reading = told(ata(status=4, attributes=[attribute(9, "Power_On_Hours", 1)])).reading

    assert HealthState.READ is reading.state
    assert reading.assessment == "passed"
    assert "no fault" in reading.sentence


def test_later_wear_is_used_last(told: Interpret) -> None:
    """The common wear figure of later releases may be a guess on ATA: a named attribute goes before it."""
    row = attribute(231, "SSD_Life_Left", 60, value=60)
    both = ata(attributes=[row], endurance_used={"current_percent": 41})
    alone = ata(attributes=[attribute(9, "Power_On_Hours", 5)], endurance_used={"current_percent": 41})

    assert told(both).reading.percentage_used == 40
    assert told(alone).reading.percentage_used == 41
    assert told(alone).reading.sources["percentage_used"] == "json:endurance_used.current_percent"


def test_link_speed_now_and_best(told: Interpret) -> None:
    """The SATA link is told now and at best, as payload after 8b/10b coding."""
    speed = {
        "max": {"string": "6.0 Gb/s", "units_per_second": 60, "bits_per_unit": 100_000_000},
        "current": {"string": "3.0 Gb/s", "units_per_second": 30, "bits_per_unit": 100_000_000},
    }
    link = told(ata(interface_speed=speed)).link

    assert (
        link.now,
        link.now_bytes_per_s,
        link.best,
        link.best_bytes_per_s,
    ) == ("3.0 Gb/s", 300e6, "6.0 Gb/s", 600e6)


@given(
    st.lists(
        st.builds(
            AttributeRow,
            number=st.integers(0, 255),
            name=st.text(min_size=1, max_size=40),
            normalised=st.none() | st.integers(0, 255),
            worst=st.none() | st.integers(0, 255),
            threshold=st.none() | st.integers(0, 255),
            raw=st.text(max_size=60),
            prefailure=st.booleans(),
            origin=st.just("json"),
        ),
        max_size=40,
    )
)
def test_any_table_can_be_read(rows: list[AttributeRow]) -> None:
    """Whatever a table holds, reading it raises nothing and gives no wear beyond 255."""
    fields = Fields()
    read_rows(rows, fields)

    assert 0 <= fields.counters.get("percentage_used", 0) <= 255
