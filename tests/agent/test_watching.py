"""What a running probe watches, and where its thermometer reads: the kernel's sensors, else smartctl."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from ebbmark_agent.clock import Clock
from ebbmark_agent.health import JsonSmartctl, examine
from ebbmark_agent.lookout import Lookout
from ebbmark_agent.moment import Scene
from ebbmark_agent.platforms import this_platform
from ebbmark_agent.settings import Settings
from ebbmark_agent.switches import Switches
from ebbmark_agent.watching import thermometer, watch_for

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


def test_an_array_is_watched_as_one_by_its_level(machine: Machine, tmp_path: Path) -> None:
    """The members of a mirror of two are summed, and each byte of the probe's is looked for twice."""
    machine.sata("sda", port=1)
    machine.sata("sdb", port=2)
    machine.mount(machine.layer("md0", ["sda", "sdb"], md__level="raid1", md__raid_disks="2"), "/array")
    inventory = machine.scan()
    (volume,) = inventory.volumes
    settings = Settings(state_dir=tmp_path)
    switches = Switches(tmp_path)
    lookout = Lookout(platform=this_platform(), switches=switches, quiet_s=1.0, disks=lambda: ())
    scene = Scene(platform=this_platform(), settings=settings, switches=switches, lookout=lookout)
    watch = watch_for(scene, volume=volume, inventory=inventory, lively_bytes_per_s=1e6)

    (array,) = watch.disks
    assert (array.name, array.and_with, array.own_copies) == ("sda", ("sdb",), 2.0)
