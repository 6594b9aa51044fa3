"""Where a probe's thermometer reads: the kernel's sensors first, else the drive through smartctl."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from ebbmark_agent.clock import Clock
from ebbmark_agent.health import JsonSmartctl, examine
from ebbmark_agent.watching import thermometer

from tests.agent.drives.tree import Machine
from tests.agent.health.documents import nvme
from tests.agent.health.stand_in import StandIn

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """An invented machine with one NVMe drive."""
    made = Machine(root=tmp_path / "root")
    made.write("/proc/self/mountinfo", "")
    made.nvme(61)
    return made


def test_smartctl_is_asked_where_the_kernel_has_no_sensor(machine: Machine, tmp_path: Path) -> None:
    """A drive without a sensor of the kernel's is read through smartctl, anew at each look."""
    stand_in = StandIn(tmp_path / "bin")
    stand_in.answer("/dev/nvme61", nvme(log={"temperature": 44}))
    runner, clock = JsonSmartctl(stand_in.program), Clock(utc=lambda: NOW)
    members = machine.scan().drives
    readings = {drive.ref: examine(drive, now=NOW, runner=runner).reading for drive in members}
    look = thermometer(members, readings, runner=runner, clock=clock)
    stand_in.answer("/dev/nvme61", nvme(log={"temperature": 51}))

    assert look is not None
    assert look() == 51.0


def test_no_thermometer_where_none_is_told(machine: Machine, tmp_path: Path) -> None:
    """A drive that never told a temperature has no thermometer, rather than one that reads nothing."""
    runner = JsonSmartctl(StandIn(tmp_path / "bin").program)

    assert thermometer(machine.scan().drives, {}, runner=runner, clock=Clock()) is None
