"""Names of drives: made-up serials, forms of world-wide names, two views joined, drives told apart."""

import pytest
from ebbmark_agent.drives import better_identity, with_names
from ebbmark_agent.drives.names import hex_name, true_serial, wwn
from ebbmark_agent.report import DriveIdentity, IdentityConfidence
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.drives.tree import Machine

OWN, READER, NONE = IdentityConfidence.OWN, IdentityConfidence.READER, IdentityConfidence.NONE


@pytest.mark.parametrize(
    "text",
    [None, "", "   ", "0", "00000000", "ffff-ffff", "0123456789", "123456789012", "ABCDEF", "1234567890ABC"],
)
def test_fillings_are_no_serials(text: str | None) -> None:
    """A field left empty or filled by counting or repeating names no drive."""
    assert true_serial(text) is None


@pytest.mark.parametrize("text", ["INV-0001", "S5P2", "0000000100A7", "20093F8001", "12345A"])
def test_serials_are_kept(text: str) -> None:
    """A serial that could be a real one is kept as it is."""
    assert true_serial(f"  {text} ") == text


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("naa.5000C500A1B2C3D4", "0x5000c500a1b2c3d4"),
        ("0x5000c500a1b2c3d4", "0x5000c500a1b2c3d4"),
        ("5000c500a1b2c3d4", "0x5000c500a1b2c3d4"),
        ("naa.600508b1001c0000000000000000abcd", "0x600508b1001c0000000000000000abcd"),
        ("naa.3333333000006590", None),
        ("naa.5000000000000000", None),
        ("t10.ATA     Something", None),
        ("eui.0025385b71b00001", None),
        (None, None),
    ],
)
def test_world_wide_names_have_one_form(text: str | None, name: str | None) -> None:
    """However it is written, a world-wide name has one form; locally assigned and empty ones are none."""
    assert wwn(text) == name


def test_empty_namespace_names_are_none() -> None:
    """An EUI-64 of zeros is none, and one of another length is not an EUI-64."""
    assert hex_name("00 00 00 00 00 00 00 00", digits=16) is None
    assert hex_name("00:25:38:5b:71:b0:00:01", digits=16) == "0025385b71b00001"
    assert hex_name("00:25:38", digits=16) is None


@given(st.text(max_size=80))
def test_any_text_can_be_looked_at(text: str) -> None:
    """Whatever a device answers, its names are a clean text or none."""
    serial = true_serial(text)

    assert serial is None or (serial.strip() == serial and serial.isprintable() and len(serial) >= 3)
    assert wwn(text) is None or len(wwn(text) or "") in {18, 34}


def test_drives_own_name_replaces_the_readers() -> None:
    """What smartctl reads from the drive replaces what its reader answered."""
    seen = DriveIdentity(confidence=READER, serial="BRIDGE-7", model="Bridge")
    told = DriveIdentity(confidence=OWN, serial="INV-1", model="Disk")

    assert better_identity(seen, told) == told


def test_readers_name_does_not_replace_the_drives() -> None:
    """A reader's answer never replaces what the drive itself said."""
    seen = DriveIdentity(confidence=OWN, serial="INV-1")
    told = DriveIdentity(confidence=READER, serial="BRIDGE-7")

    assert better_identity(seen, told) == seen


def test_two_views_of_the_drive_fill_each_other() -> None:
    """Two views that are both the drive's own complete each other, smartctl's full model first."""
    seen = DriveIdentity(confidence=OWN, wwn="0x5000c500a1b2c3d4", serial="INV-1", model="Invented Disk 4 (")
    told = DriveIdentity(confidence=OWN, serial="INV-1", model="Invented Disk 4 (long)", firmware="2.1")
    joined = better_identity(seen, told)

    assert (joined.wwn, joined.model, joined.firmware) == (
        "0x5000c500a1b2c3d4",
        "Invented Disk 4 (long)",
        "2.1",
    )


@pytest.mark.parametrize("told", [None, DriveIdentity(confidence=NONE)])
def test_nothing_told_changes_nothing(told: DriveIdentity | None) -> None:
    """Where smartctl tells no names, what the system shows stays."""
    seen = DriveIdentity(confidence=OWN, serial="INV-1")

    assert better_identity(seen, told) == seen


def test_two_drives_with_one_serial_are_told_apart(machine: Machine) -> None:
    """Two drives with the same serial no longer go by it, have keys of their own, and are reported once."""
    for port, name in enumerate(("sda", "sdb"), start=1):
        folder = machine.sata(name, port=port)
        machine.udev(machine.number(folder), ID_SERIAL_SHORT="SAME-1")
    inventory = machine.scan()
    first, second = inventory.drives

    assert first.key != second.key
    assert first.facts.identity.confidence is second.facts.identity.confidence is NONE
    assert len(inventory.remarks) == 1
    assert "/dev/sda and /dev/sdb" in inventory.remarks[0]


def test_shared_serial_does_not_take_a_name_that_differs(machine: Machine) -> None:
    """Drives that share a serial but not their world-wide name go on by that name."""
    for port, name in enumerate(("sda", "sdb"), start=1):
        folder = machine.sata(name, port=port)
        number = machine.number(folder)
        machine.udev(number, ID_SERIAL_SHORT="SAME-1", ID_WWN=f"0x5000c500a1b2c3d{port}")
    first, second = machine.scan().drives

    assert first.facts.identity.names() == ("wwn:0x5000c500a1b2c3d1",)
    assert second.facts.identity.names() == ("wwn:0x5000c500a1b2c3d2",)


def test_drives_without_a_serial_are_told_apart(machine: Machine) -> None:
    """Two drives without any name are told apart by the place they are plugged into."""
    machine.sata("sda", port=1)
    machine.sata("sdb", port=2)
    first, second = machine.scan().drives

    assert first.key != second.key
    assert first.facts.identity.confidence is NONE


def test_namespaces_of_one_drive_share_its_serial(machine: Machine) -> None:
    """Two namespaces of one NVMe drive share its serial rightly: no remark."""
    folder = machine.nvme(0)
    controller = folder.rpartition("/block/")[0]
    second = machine.block("nvme0n2", controller)
    machine.link(f"{second}/device", controller)
    inventory = machine.scan()

    assert len(inventory.drives) == 2
    assert inventory.remarks == ()


def test_place_does_not_hang_on_the_kernels_counting(machine: Machine) -> None:
    """A drive without a name keeps its key when the kernel calls it otherwise after a restart."""
    machine.usb("sde", serial="")
    first = machine.scan().drives[0].key
    again = Machine(root=machine.root / "again")
    again.write("/proc/self/mountinfo", "")
    again.usb("sdq", serial="")

    assert again.scan().drives[0].key == first


def test_names_told_later_are_told_apart_again(machine: Machine) -> None:
    """Where smartctl too reads one serial from two drives, they stay apart and it is said once."""
    machine.sata("sda", port=1)
    machine.sata("sdb", port=2)
    before = machine.scan()
    told = DriveIdentity(confidence=OWN, serial="SAME-1")
    inventory = with_names(before, {drive.ref: drive.named(told) for drive in before.drives})

    assert {drive.facts.identity.confidence for drive in inventory.drives} == {NONE}
    assert len(inventory.remarks) == 1


@pytest.mark.parametrize(("rpm", "turns"), [(7_200, (True, 7_200)), (0, (False, None)), (None, (None, None))])
def test_rotation_told_by_the_drive(
    machine: Machine, rpm: int | None, turns: tuple[bool | None, int | None]
) -> None:
    """What the drive says of its rotation replaces what the kernel could not know through a bridge."""
    machine.usb("sde", rotational="1")
    (drive,) = machine.scan().drives
    facts = drive.named(None, rotation_rpm=rpm).facts

    assert (facts.rotational, facts.rotation_rpm) == turns
