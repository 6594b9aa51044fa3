"""The real smartctl on what this machine has: a virtual disk or loop device tells no SMART."""

from datetime import datetime
from pathlib import Path

import pytest
from ebbmark_agent.health import JsonSmartctl, find_smartctl, read_health
from ebbmark_agent.report import HealthState

from tests.agent.health.devices import SmartDeviceHere

pytestmark = pytest.mark.smart


@pytest.fixture
def real_runner() -> JsonSmartctl:
    """The real program, or a skip that says it is missing."""
    program = find_smartctl()
    if program is None:
        pytest.skip("smartctl is not installed")
    return JsonSmartctl(program)


def _first_of(*patterns: str) -> str:
    for pattern in patterns:
        for found in sorted(Path("/dev").glob(pattern)):
            return str(found)
    pytest.skip(f"this machine has no {' or '.join(patterns)} in /dev")


@pytest.mark.parametrize("patterns", [("vd[a-z]",), ("loop[0-9]*",)], ids=["virtual disk", "loop device"])
def test_no_smart_on_a_drive_that_has_none(
    real_runner: JsonSmartctl, now: datetime, patterns: tuple[str, ...]
) -> None:
    """The sentence says plainly that the drive tells no SMART."""
    node = _first_of(*patterns)
    reading = read_health(SmartDeviceHere(smart_node=node), now=now, runner=real_runner)

    assert HealthState.NO_SMART is reading.state
    assert "tells no SMART" in reading.sentence


def test_missing_device_has_vanished(real_runner: JsonSmartctl, now: datetime) -> None:
    """A device file that is not there reads as vanished."""
    reading = read_health(SmartDeviceHere(smart_node="/dev/ebbmark-none"), now=now, runner=real_runner)

    assert HealthState.VANISHED is reading.state


def test_sleep_asking_form_is_understood(real_runner: JsonSmartctl, now: datetime) -> None:
    """The options used for drives that may sleep are ones this smartctl knows."""
    node = _first_of("vd[a-z]", "loop[0-9]*")
    reading = read_health(SmartDeviceHere(smart_node=node, may_sleep=True), now=now, runner=real_runner)

    assert HealthState.NO_SMART is reading.state
