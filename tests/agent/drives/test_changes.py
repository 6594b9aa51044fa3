"""What came and went between two scans."""

from ebbmark_agent.drives import Changes, changes

from tests.agent.drives.tree import Machine


def test_nothing_changed(machine: Machine) -> None:
    """Two scans of the same machine differ in nothing."""
    machine.sata("sda")

    assert changes(machine.scan(), machine.scan()).none


def test_medium_that_appears_and_vanishes(machine: Machine) -> None:
    """A card that is plugged in appears with its volume, and vanishes with it, the other way round."""
    machine.sata("sda")
    before = machine.scan()
    folder = machine.usb("sde")
    machine.mount(machine.number(folder), "/media/card", kind="exfat")
    after = machine.scan()
    come, gone = changes(before, after), changes(after, before)

    assert [drive.ref for drive in come.drives_appeared] == ["sde"]
    assert [volume.mount_point for volume in come.volumes_appeared] == ["/media/card"]
    assert (gone.drives_vanished, gone.volumes_vanished) == (come.drives_appeared, come.volumes_appeared)
    assert not gone.drives_appeared


def test_drive_that_gets_another_letter_stays(machine: Machine) -> None:
    """A drive with a name of its own is the same drive under another letter."""
    folder = machine.sata("sda")
    machine.udev(machine.number(folder), ID_SERIAL_SHORT="INV-1")
    other = Machine(root=machine.root / "other")
    other.write("/proc/self/mountinfo", "")
    renamed = other.sata("sdb")
    other.udev(other.number(renamed), ID_SERIAL_SHORT="INV-1")
    found = changes(machine.scan(), other.scan())

    assert not found.drives_appeared
    assert not found.drives_vanished


def test_link_that_falls_back_is_a_change(machine: Machine) -> None:
    """A drive whose link runs slower than before changed its path."""
    machine.sata("sda", port=1)
    machine.write("/sys/class/ata_link/link1/sata_spd", "6.0 Gbps")
    before = machine.scan()
    machine.write("/sys/class/ata_link/link1/sata_spd", "1.5 Gbps")
    ((was, now),) = changes(before, machine.scan()).paths_changed

    assert (was.facts.path.link_now, now.facts.path.link_now) == ("SATA 6 Gb/s", "SATA 1.5 Gb/s")


def test_empty_changes_are_none() -> None:
    """Changes without anything in them say so."""
    assert Changes().none


def test_another_card_in_the_same_slot(machine: Machine) -> None:
    """A card changed in one slot between two scans went, and another came, though neither has a name."""
    folder = machine.usb("sde", removable="1", diskseq="11", serial="")
    before = machine.scan()
    machine.write(f"{folder}/diskseq", "12")
    after = machine.scan()
    found = changes(before, after)

    assert [drive.insertion for drive in found.drives_vanished] == [before.drives[0].insertion]
    assert [drive.insertion for drive in found.drives_appeared] == [after.drives[0].insertion]
    assert before.drives[0].insertion != after.drives[0].insertion


def test_same_insertion_is_no_change(machine: Machine) -> None:
    """A card that stayed in its slot is the same insertion at every scan."""
    machine.usb("sde", removable="1", diskseq="11")

    assert machine.scan().drives[0].insertion == machine.scan().drives[0].insertion
    assert changes(machine.scan(), machine.scan()).none
