"""NVMe health from smartctl's JSON: the whole of log 02h, its edges and its later shapes."""

import json

import pytest
from ebbmark_agent.health.nvme import WARNING_BITS, data_units_to_bytes, warning_codes
from ebbmark_agent.report import Assessment, HealthState
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.health.conftest import Interpret
from tests.agent.health.documents import nvme


def test_whole_log_is_read(told: Interpret) -> None:
    """Every counter of the log is in the reading, with its place."""
    reading = told(nvme()).reading

    assert HealthState.READ is reading.state
    assert Assessment.PASSED is reading.assessment
    assert reading.protocol == "nvme"
    assert (
        reading.temperature_c,
        reading.percentage_used,
        reading.available_spare_percent,
        reading.available_spare_threshold_percent,
    ) == (41.0, 3, 100, 10)
    assert (
        reading.power_on_hours,
        reading.power_cycles,
        reading.unsafe_shutdowns,
        reading.media_errors,
        reading.error_log_entries,
        reading.warning_temperature_minutes,
        reading.critical_temperature_minutes,
    ) == (1_234, 57, 4, 0, 9, 2, 0)
    assert reading.sources["percentage_used"] == "json:nvme_smart_health_information_log.percentage_used"


def test_data_units_are_512000_bytes(told: Interpret) -> None:
    """234 375 000 data units are 120 TB exactly."""
    reading = told(nvme()).reading

    assert reading.written_bytes == 120_000_000_000_000
    assert reading.read_bytes == 1_024_000_000


def test_no_data_units_are_not_reported(told: Interpret) -> None:
    """0 data units mean that the drive does not report them, so nothing is reported."""
    reading = told(nvme(log={"data_units_written": 0})).reading

    assert reading.written_bytes is None
    assert "written_bytes" not in reading.sources


def test_counters_of_128_bits_are_exact(told: Interpret) -> None:
    """A count too wide for a double is taken from the text smartctl writes beside the number."""
    exact = 9_007_199_254_740_993
    document = nvme(
        log={"host_writes": 1, "power_cycles": 9_007_199_254_740_992, "power_cycles_s": str(exact)}
    )

    assert exact == told(document).reading.power_cycles


def test_counters_wider_than_a_report_are_left_out(told: Interpret) -> None:
    """A count no store can hold is absent, not cut."""
    assert told(nvme(log={"power_on_hours": 2**63})).reading.power_on_hours is None


def test_percentage_used_of_255_is_passed_on(told: Interpret) -> None:
    """255, which stands for more than 254, is passed on as it is."""
    assert told(nvme(log={"percentage_used": 255})).reading.percentage_used == 255


def test_spare_at_its_threshold_is_no_warning(told: Interpret) -> None:
    """A spare equal to its threshold has not fallen below it."""
    reading = told(nvme(log={"available_spare": 10})).reading

    assert reading.critical_warnings == ()
    assert Assessment.PASSED is reading.assessment


def test_empty_spare_without_a_threshold_is_no_warning(told: Interpret) -> None:
    """Spare 0 with threshold 0, which emulators and some drives answer, raises nothing."""
    reading = told(nvme(log={"available_spare": 0, "available_spare_threshold": 0})).reading

    assert reading.available_spare_percent == 0
    assert reading.critical_warnings == ()


def test_every_warning_bit_has_its_name(told: Interpret) -> None:
    """The six defined bits come out by name, lowest first, and the drive counts as failed by its own word."""
    reading = told(nvme(status=8, log={"critical_warning": 0x3F})).reading

    assert tuple(name for _, name in WARNING_BITS) == reading.critical_warnings
    assert Assessment.FAILED is reading.assessment
    assert "failing" in reading.sentence


def test_reserved_warning_bits_are_passed_on() -> None:
    """Bits the standard reserves are named by number, not dropped."""
    assert warning_codes(0xC0) == ("reserved_warning_bit_6", "reserved_warning_bit_7")


@given(st.integers(min_value=0, max_value=255))
def test_each_set_bit_gives_one_name(bits: int) -> None:
    """As many warnings come out as bits are set."""
    assert bits.bit_count() == len(set(warning_codes(bits)))


@given(st.integers(min_value=1, max_value=2**64))
def test_data_units_scale(units: int) -> None:
    """Bytes are the units times 512 000, without rounding at any size."""
    assert units * 512_000 == data_units_to_bytes(units)


def test_transitions_of_both_levels_are_summed(told: Interpret) -> None:
    """Thermal transitions are those of both levels, and each is passed on by itself."""
    log = {
        "thermal_mgmt_temperature_1_transition_count": 5,
        "thermal_mgmt_temperature_2_transition_count": 2,
        "thermal_mgmt_temperature_1_total_time": 61,
    }
    reading = told(nvme(log=log)).reading

    assert reading.thermal_transitions == 7
    assert "61" in {v.raw for v in reading.vendor if v.name == "thermal_mgmt_temperature_1_total_time"}


def test_no_transitions_told_is_none(told: Interpret) -> None:
    """A release or drive that tells no transitions leaves them unknown."""
    assert told(nvme()).reading.thermal_transitions is None


def test_own_temperature_limits(told: Interpret) -> None:
    """The drive's own warning and critical limits are in the reading."""
    reading = told(nvme(nvme_composite_temperature_threshold={"warning": 82, "critical": 85})).reading

    assert (reading.temperature_limit_c, reading.critical_temperature_limit_c) == (82.0, 85.0)


def test_impossible_temperature_is_unknown(told: Interpret) -> None:
    """0 kelvin, which some drives send for unknown, is no temperature."""
    assert told(nvme(log={"temperature": -273})).reading.temperature_c is None


def test_sensors_are_passed_on(told: Interpret) -> None:
    """Further sensors are passed on by their place in the log."""
    reading = told(nvme(log={"temperature_sensors": [44, None, 51]})).reading

    assert {("temperature_sensor_1_c", "44"), ("temperature_sensor_3_c", "51")} <= {
        (value.name, value.raw) for value in reading.vendor
    }


@pytest.mark.parametrize(
    "further",
    [
        pytest.param({}, id="7.3"),
        pytest.param({"nvme_error_information_log": {"size": 64, "read": 16, "unread": 48}}, id="7.4"),
        pytest.param(
            {
                "endurance_used": {"current_percent": 3},
                "spare_available": {"current_percent": 100, "threshold_percent": 10},
                "power_mode": {"ata_value": 255},
            },
            id="7.5",
        ),
        pytest.param(
            {
                "endurance_used": {"current_percent": 3},
                "spare_available": {"current_percent": 100, "threshold_percent": 10},
                "host_writes": {"units": 234_375_000, "bytes_per_unit": 512_000, "commands": 93_000},
                "host_reads": {"units": 2_000, "bytes_per_unit": 512_000, "commands": 71_000},
            },
            id="8.0",
        ),
    ],
)
def test_releases_give_the_same_reading(told: Interpret, further: dict[str, object]) -> None:
    """Each release's additions change nothing of what is read."""
    assert told(nvme()).reading == told(nvme(**further)).reading


def test_later_forms_stand_in_for_a_missing_log(told: Interpret) -> None:
    """Where only the later, common forms are there they are read, and named as the place."""
    document = nvme(
        endurance_used={"current_percent": 12},
        spare_available={"current_percent": 98, "threshold_percent": 5},
        host_writes={"units": 10, "bytes_per_unit": 512_000},
    )
    del document["nvme_smart_health_information_log"]
    reading = told(document).reading

    assert (
        reading.percentage_used,
        reading.available_spare_percent,
        reading.available_spare_threshold_percent,
        reading.written_bytes,
    ) == (12, 98, 5, 5_120_000)
    assert reading.sources["written_bytes"] == "json:host_writes"


def test_values_of_the_wrong_kind_are_passed_over(told: Interpret) -> None:
    """A text, a truth value or a list where a number belongs is nothing, and harms nothing else."""
    reading = told(nvme(log={"percentage_used": "3", "power_cycles": True, "media_errors": [1]})).reading

    assert (reading.percentage_used, reading.power_cycles, reading.media_errors) == (None, None, None)
    assert reading.power_on_hours == 1_234


def test_reading_survives_the_wire(told: Interpret) -> None:
    """A reading is the same after a trip through JSON."""
    reading = told(nvme(status=8, log={"critical_warning": 5})).reading

    assert reading == type(reading).model_validate_json(json.dumps(reading.model_dump(mode="json")))
