"""Disks behind RAID controllers: found by smartctl's list, mapped where certain, read and never probed.

Node and type of each listed disk are in the form of smartctl(8), option -d, and of its JSON for --scan; the
machines, models and serials are invented.
"""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.clock import Clock
from ebbmark_agent.cycle import look, read_due_health
from ebbmark_agent.drives import Inventory, wants_a_look, with_names, with_those_behind
from ebbmark_agent.health import JsonSmartctl, Listed, examine
from ebbmark_agent.moment import target_facts
from ebbmark_agent.report import HealthBody, HealthState, InventoryBody, Report

from tests.agent.drives.tree import Machine
from tests.agent.health.devices import SmartDeviceHere
from tests.agent.health.documents import ata, attribute, envelope
from tests.agent.health.stand_in import StandIn
from tests.rigs.probing_agent import agent_in

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)


def listed(*devices: tuple[str, str, str]) -> dict[str, Any]:
    """What smartctl prints for --scan as JSON; without devices it leaves the key out."""
    rows = [
        {"name": node, "info_name": f"{node} [{kind}]", "type": kind, "protocol": protocol}
        for node, kind, protocol in devices
    ]
    return {**envelope(), **({"devices": rows} if rows else {})}


def served(
    machine: Machine,
    name: str,
    *,
    host: int = 0,
    lun: int = 0,
    driver: str = "megaraid_sas",
    vendor: str = "INVENTED",
    raid_level: str | None = None,
) -> str:
    """Add a disk that a controller's driver shows, mounted, and give its folder."""
    place = (
        f"/sys/devices/pci0000:00/0000:00:02.0/0000:02:00.0/host{host}/target{host}:2:{lun}/{host}:2:{lun}:0"
    )
    folder = machine.block(name, place)
    machine.write(f"{place}/vendor", vendor)
    machine.write(f"{place}/model", "Array 8")
    if raid_level is not None:
        machine.write(f"{place}/raid_level", raid_level)
    machine.link(f"{folder}/device", place)
    machine.write(f"/sys/class/scsi_host/host{host}/proc_name", driver)
    machine.mount(machine.number(folder), f"/mnt/{name}", source=f"/dev/{name}")
    return folder


FOUR = tuple(Listed(node="/dev/bus/0", device_type=f"megaraid,{number}") for number in range(8, 12))


@pytest.fixture
def stand_in(tmp_path: Path) -> StandIn:
    """A program in smartctl's place."""
    return StandIn(tmp_path / "bin")


def test_a_volume_of_a_controller_is_said_to_be_uncertain_once(machine: Machine) -> None:
    """Two volumes of one controller: one remark, a note on each, and each is still judged as a whole."""
    served(machine, "sda")
    served(machine, "sdb", lun=1)
    found = machine.scan()

    assert [drive.controller for drive in found.drives] == ["host0", "host0"]
    assert [one for one in found.remarks if "RAID" in one] == [
        "2 drives are served by a RAID controller, and which disks stand behind is not certain."
    ]
    assert all("RAID controller" in (drive.facts.note or "") for drive in found.drives)
    assert all(volume.probeable for volume in found.volumes)


@pytest.mark.parametrize(
    ("driver", "vendor", "raid_level"),
    [
        ("mpt3sas", "INVENTED", None),
        ("ahci", "ATA", None),
        ("megaraid_sas", "ATA", None),
        ("smartpqi", "INVENTED", "N/A"),
    ],
    ids=["a plain adapter", "a port", "a disk handed through", "a disk without a RAID level"],
)
def test_a_disk_that_is_one_has_no_such_note(
    machine: Machine, driver: str, vendor: str, raid_level: str | None
) -> None:
    """An adapter without RAID, and a disk that its controller hands through, are what they seem."""
    served(machine, "sda", driver=driver, vendor=vendor, raid_level=raid_level)
    found = machine.scan()

    assert [drive.controller for drive in found.drives] == [None]
    assert not wants_a_look(found)
    assert found.remarks == ()


def test_behind_the_only_volume_disks_are_mapped(machine: Machine) -> None:
    """With one volume on the controller, its disks stand behind that one and beneath its file system."""
    served(machine, "sda")
    machine.sata("sdz", port=3)
    found = with_those_behind(machine.scan(), FOUR)
    (volume,) = found.volumes

    assert [disk.smart_type for disk in found.behind] == [f"megaraid,{number}" for number in range(8, 12)]
    assert {disk.serves for disk in found.behind} == {("sda",)}
    assert len({disk.key for disk in found.behind}) == 4
    assert [drive.ref for drive in found.beneath(volume)] == ["sda", *(disk.ref for disk in found.behind)]
    assert [drive.ref for drive in found.members(volume)] == ["sda"]


def test_behind_two_volumes_nothing_is_mapped(machine: Machine) -> None:
    """With two volumes on the controller no disk is said to belong to either, and the note says so."""
    served(machine, "sda")
    served(machine, "sdb", lun=1)
    found = with_those_behind(machine.scan(), FOUR)

    assert {disk.serves for disk in found.behind} == {()}
    assert all("not certain" in (disk.facts.note or "") for disk in found.behind)


def test_two_controllers_are_kept_apart(machine: Machine) -> None:
    """The number in a bus node is the controller's own: disks are mapped to their controller's volume."""
    served(machine, "sda")
    served(machine, "sdb", host=1)
    found = with_those_behind(machine.scan(), [FOUR[0], Listed(node="/dev/bus/1", device_type="megaraid,8")])

    assert [disk.serves for disk in found.behind] == [("sda",), ("sdb",)]
    assert len({disk.ref for disk in found.behind}) == 2


@pytest.mark.parametrize(
    ("node", "kind", "driver"),
    [
        ("/dev/sda", "cciss,2", "hpsa"),
        ("/dev/sda", "aacraid,0,0,2", "aacraid"),
        ("/dev/bus/0", "sat+megaraid,4", "megaraid_sas"),
        ("/dev/bus/0", "sssraid,0,3", "sssraid"),
    ],
)
def test_each_family_of_types_is_known(machine: Machine, node: str, kind: str, driver: str) -> None:
    """A disk named by the volume's own node and a type of its controller is mapped to that volume."""
    served(machine, "sda", driver=driver, raid_level="RAID 5")
    (disk,) = with_those_behind(machine.scan(), [Listed(node=node, device_type=kind)]).behind

    assert (disk.smart_node, disk.smart_type, disk.serves) == (node, kind, ("sda",))


@pytest.mark.parametrize("node", ["/dev/sg3", "/dev/twa0", "/dev/bus/7"])
def test_a_node_of_no_known_controller_is_mapped_to_none(machine: Machine, node: str) -> None:
    """Where nothing ties a listed disk to a volume its health is read, and it is said to be uncertain."""
    served(machine, "sda")
    (disk,) = with_those_behind(machine.scan(), [Listed(node=node, device_type="areca,1/2")]).behind

    assert disk.serves == ()
    assert "not certain" in (disk.facts.note or "")


def test_what_the_system_shows_itself_is_not_listed_twice(machine: Machine) -> None:
    """Plain types in smartctl's list are drives that the system shows."""
    served(machine, "sda")
    plain = [Listed(node="/dev/sda", device_type="scsi"), Listed(node="/dev/nvme0", device_type="nvme")]

    assert with_those_behind(machine.scan(), plain).behind == ()


def test_a_disk_handed_through_is_listed_once(machine: Machine) -> None:
    """A disk that is shown and stands behind as well is one drive, once its serial has been read."""
    served(machine, "sda")
    folder = served(machine, "sdb", lun=1, vendor="ATA")
    machine.udev(machine.number(folder), ID_SCSI_SERIAL="INV-0042", ID_MODEL_ENC="Invented\\x20Disk\\x202")
    found = with_those_behind(machine.scan(), FOUR[:1])
    shown = next(drive for drive in found.drives if drive.ref == "sdb")
    (disk,) = found.behind

    assert with_names(found, {disk.ref: disk.named(shown.facts.identity)}).behind == ()


def test_the_list_is_asked_without_opening_a_disk(stand_in: StandIn) -> None:
    """`--scan` names disks without opening them; `--scan-open` would speak to each, asleep or not."""
    rows = (("/dev/sda", "scsi", "SCSI"), ("/dev/bus/0", "megaraid,8", "SCSI"))
    stand_in.answer("--scan", listed(*rows))
    found = JsonSmartctl(stand_in.program, timeout_s=10.0).list_devices()

    assert [(one.node, one.device_type) for one in found] == [row[:2] for row in rows]
    assert [call.split()[-1] for call in stand_in.calls()] == ["--scan"]


@pytest.mark.parametrize("answer", [json.dumps(listed()), "", "smartctl 6.6\n"])
def test_an_empty_list_is_none(stand_in: StandIn, answer: str) -> None:
    """No `devices` key, nothing at all, or a release without JSON: no disk, no error."""
    stand_in.answer("--scan", answer)

    assert JsonSmartctl(stand_in.program, timeout_s=10.0).list_devices() == ()
    assert JsonSmartctl(look_up=False).list_devices() == ()


def test_the_controllers_volume_has_its_own_sentence(stand_in: StandIn) -> None:
    """What smartctl says of a controller's volume reads as no SMART, and the sentence names the volume."""
    said = "/dev/sda failed: DELL or MegaRaid controller, please try adding '-d megaraid,N'"
    stand_in.answer("/dev/sda", envelope(status=2, messages=(f"Smartctl open device: {said}",)), status=2)
    runner = JsonSmartctl(stand_in.program, timeout_s=10.0)
    found = examine(SmartDeviceHere(smart_node="/dev/sda"), now=NOW, runner=runner)

    assert found.reading.state is HealthState.NO_SMART
    assert "RAID controller" in found.reading.sentence


def member(serial: str, *, pending: int = 0) -> dict[str, Any]:
    """An invented disk behind the controller."""
    rows = [attribute(9, "Power_On_Hours", 5), attribute(197, "Current_Pending_Sector", pending)]
    return {**ata(attributes=rows), "serial_number": serial}


def test_the_agent_reads_the_disks_behind_and_spares_their_volume(
    machine: Machine, stand_in: StandIn, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each disk's health goes out under its own serial; one with unreadable sectors keeps probes away."""
    served(machine, "sda")
    stand_in.answer("--scan", listed(*(("/dev/bus/0", one.device_type, "SCSI") for one in FOUR)))
    for number, one in enumerate(FOUR):
        answer = member(f"INV-{number}", pending=7 if number == 2 else 0)
        stand_in.answer("/dev/bus/0", answer, device_type=one.device_type)
    monkeypatch.setattr(look, "scan", machine.scan)
    at = [NOW]
    running = agent_in(tmp_path / "state", clock=Clock(utc=lambda: at[0]))
    running.runner = JsonSmartctl(stand_in.program, timeout_s=10.0)
    look.look_around(running)
    read_due_health(running)
    look.look_around(running)
    at[0] += timedelta(days=1, minutes=1)
    look.look_around(running)

    waiting = running.spool.next_batch(most=1000, most_bytes=10**8)
    bodies = [Report.model_validate_json(one.body).body for one in waiting]
    told = {
        body.subject.identity.serial: body.reading.pending_sectors
        for body in bodies
        if isinstance(body, HealthBody) and body.reading.state is HealthState.READ
    }
    (volume,) = running.inventory.volumes
    facts = target_facts(
        running.scene,
        name="/mnt/sda",
        volume=volume,
        inventory=running.inventory,
        readings=running.held_readings(),
        now=at[0],
        by_hand=False,
    )
    inventories = [body for body in bodies if isinstance(body, InventoryBody)]

    assert told == {"INV-0": 0, "INV-1": 0, "INV-2": 7, "INV-3": 0}
    assert facts.failing == "7 of its sectors cannot be read"
    asked = [call for call in stand_in.calls() if call.endswith("--scan")]
    assert len(asked) == 2  # at the start and a day later
    assert [drive.identity.serial for drive in inventories[-1].drives][1:] == [f"INV-{n}" for n in range(4)]


def test_nothing_behind_is_watched_or_counted(machine: Machine) -> None:
    """Disks behind a controller have no counters of their own, so nothing that watches disks sees them."""
    served(machine, "sda")
    found = with_those_behind(machine.scan(), FOUR)

    assert isinstance(found, Inventory)
    assert [drive.ref for drive in found.drives] == ["sda"]
    assert found.sharing_upstream("sda") == ()
