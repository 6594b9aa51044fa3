"""Drives and the way to them on Linux: identity, links, what is shared, what can be taken out."""

import pytest
from ebbmark_agent.drives import temperature_c
from ebbmark_agent.report import Bus, IdentityConfidence

from tests.agent.drives.tree import SIZE_BYTES, Machine

NVME_FUNCTION = "/sys/devices/pci0000:00/0000:00:1d.0/0000:01:00.0"
ROOT_PORT = "/sys/devices/pci0000:00/0000:00:1d.0"


def test_nvme_drive(machine: Machine) -> None:
    """An NVMe drive speaks for itself in full; smartctl is asked by its controller."""
    folder = machine.nvme(0, wwid="eui.0025385b71b00001")
    (drive,) = machine.scan().drives
    identity = drive.facts.identity

    assert (identity.confidence, identity.serial, identity.eui64) == (
        IdentityConfidence.OWN,
        "NV-0000",
        "0025385b71b00001",
    )
    assert (identity.model, identity.firmware) == ("Invented Flash 2", "1.0")
    assert (drive.device, drive.smart_node, drive.facts.capacity_bytes) == (
        "/dev/nvme0n1",
        "/dev/nvme0",
        SIZE_BYTES,
    )
    assert folder


def test_nguid_is_told_from_eui64(machine: Machine) -> None:
    """The kernel writes both behind `eui.`; the length tells which it is."""
    machine.nvme(0, wwid="eui.00000000000000010025380000000001")
    (drive,) = machine.scan().drives

    assert (drive.facts.identity.eui64, drive.facts.identity.nguid) == (
        None,
        "00000000000000010025380000000001",
    )


def test_pcie_link_now_and_at_best(machine: Machine) -> None:
    """The link is told now and at the best both ends can do, as payload after coding."""
    machine.nvme(0)
    machine.pcie_link(NVME_FUNCTION, now=("8.0 GT/s PCIe", "2"), best=("16.0 GT/s PCIe", "4"))
    machine.pcie_link(ROOT_PORT, now=("8.0 GT/s PCIe", "2"), best=("8.0 GT/s PCIe", "4"))
    path = machine.scan().drives[0].facts.path

    assert (path.bus, path.link_now, path.link_best) == (Bus.NVME, "PCIe 3.0 x2", "PCIe 3.0 x4")
    assert path.link_now_bytes_per_s == pytest.approx(1969.2e6, rel=1e-4)
    assert path.link_best_bytes_per_s == pytest.approx(3938.5e6, rel=1e-4)


def test_sata_drive(machine: Machine) -> None:
    """A SATA drive goes by udev's serial, world-wide name and full model; its link is told both ways."""
    folder = machine.sata("sda", port=3, rotational="1")
    machine.udev(
        machine.number(folder),
        ID_SERIAL_SHORT="INV-0002",
        ID_WWN="0x5000c500a1b2c3d4",
        ID_MODEL_ENC=r"Invented\x20Disk\x204\x20(long\x20name)",
        ID_ATA="1",
        ID_REVISION="2.1",
    )
    machine.write("/sys/class/ata_link/link3/sata_spd", "3.0 Gbps")
    machine.write("/sys/class/ata_link/link3/hw_sata_spd_limit", "6.0 Gbps")
    (drive,) = machine.scan().drives
    path = drive.facts.path

    assert drive.facts.identity.names() == (
        "wwn:0x5000c500a1b2c3d4",
        "serial:inventeddisk4(longname):inv-0002",
    )
    assert (path.bus, path.link_now, path.link_best) == (Bus.SATA, "SATA 3 Gb/s", "SATA 6 Gb/s")
    assert (path.link_now_bytes_per_s, path.link_best_bytes_per_s) == (300e6, 600e6)
    assert (drive.facts.rotational, drive.may_sleep) == (True, True)


def test_unknown_link_is_unknown(machine: Machine) -> None:
    """A port that says it does not know its speed leaves the link unknown."""
    machine.sata("sda", port=3)
    machine.write("/sys/class/ata_link/link3/sata_spd", "<unknown>")
    path = machine.scan().drives[0].facts.path

    assert (path.link_now, path.link_now_bytes_per_s) == (None, None)


def test_serial_without_udev(machine: Machine) -> None:
    """Without udev the serial comes from the drive's vital product data, the name from its wwid."""
    folder = machine.sata("sda")
    serial = b"        INV-0099"
    machine.write(f"{folder}/device/vpd_pg80", bytes([0, 0x80, 0, len(serial)]) + serial)
    machine.write(f"{folder}/device/wwid", "naa.5000C500A1B2C3D4")
    identity = machine.scan().drives[0].facts.identity

    assert (identity.serial, identity.wwn) == ("INV-0099", "0x5000c500a1b2c3d4")


def test_sas_drive(machine: Machine) -> None:
    """A SAS drive's link comes from its phy."""
    port = "/sys/devices/pci0000:00/0000:00:03.0/0000:05:00.0/host0/port-0:2"
    place = f"{port}/end_device-0:2/target0:0:2/0:0:2:0"
    folder = machine.block("sdd", place)
    machine.link(f"{folder}/device", place)
    machine.write(f"{port}/phy-0:2/sas_phy/phy-0:2/negotiated_linkrate", "6.0 Gbit")
    machine.write(f"{port}/phy-0:2/sas_phy/phy-0:2/maximum_linkrate", "12.0 Gbit")
    path = machine.scan().drives[0].facts.path

    assert (path.bus, path.link_now, path.link_best) == (Bus.SAS, "SAS 6 Gb/s", "SAS 12 Gb/s")


def test_usb_drive_goes_by_its_reader(machine: Machine) -> None:
    """What a USB bridge answers is the reader's serial, which names no drive."""
    machine.usb("sde")
    (drive,) = machine.scan().drives
    identity = drive.facts.identity

    assert (identity.confidence, identity.serial) == (IdentityConfidence.READER, "BRIDGE-7")
    assert identity.names() == ()
    assert drive.facts.removable
    assert (drive.over_usb, drive.usb_vendor_id) == (True, "1234")


def test_usb_drive_that_was_asked_itself(machine: Machine) -> None:
    """Where udev asked the drive through its bridge the serial is the drive's own."""
    folder = machine.usb("sde")
    machine.udev(machine.number(folder), ID_ATA="1", ID_SERIAL_SHORT="INV-0011", ID_BUS="ata")
    identity = machine.scan().drives[0].facts.identity

    assert (identity.confidence, identity.serial) == (IdentityConfidence.OWN, "INV-0011")


@pytest.mark.parametrize(
    ("speed", "lanes", "driver", "expected"),
    [
        pytest.param("480", "1", "usb-storage", ("USB 480 Mb/s", 60e6), id="high speed"),
        pytest.param("5000", "1", "uas", ("USB 5 Gb/s", 500e6), id="gen 1"),
        pytest.param("10000", "1", "uas", ("USB 10 Gb/s", 1212.1e6), id="gen 2"),
        pytest.param("10000", "2", "uas", ("USB 10 Gb/s (two lanes of 5)", 1000e6), id="gen 1 twice"),
        pytest.param("20000", "2", "usb-storage", ("USB 20 Gb/s", 2424.2e6), id="gen 2 twice"),
    ],
)
def test_usb_link(machine: Machine, speed: str, lanes: str, driver: str, expected: tuple[str, float]) -> None:
    """A USB link is told by its speed and lanes, with the protocol and the bridge."""
    machine.usb("sde", speed=speed, driver=driver)
    machine.write("/sys/devices/pci0000:00/0000:00:14.0/usb2/2-1/rx_lanes", lanes)
    path = machine.scan().drives[0].facts.path

    assert (path.link_now, path.uas) == (expected[0], driver == "uas")
    assert path.bridge == "Invented Bridge 3 (1234:5678)"
    assert path.link_now_bytes_per_s == pytest.approx(expected[1], rel=1e-4)


def test_fast_device_on_a_slow_port_is_noted(machine: Machine) -> None:
    """A USB 3 device that runs at 480 Mb/s is noted, since another port or cable may cure it."""
    machine.usb("sde", speed="480", driver="usb-storage")
    machine.write("/sys/devices/pci0000:00/0000:00:14.0/usb2/2-1/version", " 2.10")
    (drive,) = machine.scan().drives

    assert "another port or cable" in (drive.facts.note or "")


def test_rotation_through_a_bridge_is_unknown(machine: Machine) -> None:
    """The kernel says "turns" for a bridge that does not tell; that is not believed."""
    machine.usb("sde", rotational="1")
    machine.usb("sdf", port="2-2", rotational="0")
    turns, still = machine.scan().drives

    assert (turns.facts.rotational, still.facts.rotational) == (None, False)


def test_card_in_its_own_slot(machine: Machine) -> None:
    """A memory card in its own slot goes by its identification register and can be taken out."""
    place = "/sys/devices/pci0000:00/0000:00:1a.0/mmc_host/mmc0/mmc0:aaaa"
    folder = machine.block("mmcblk0", place)
    machine.link(f"{folder}/device", place)
    for key, text in {"cid": "275048534436344760b1a2c3d400f1", "name": "INV64", "type": "SD"}.items():
        machine.write(f"{place}/{key}", text)
    (drive,) = machine.scan().drives

    assert drive.facts.path.bus is Bus.MMC
    assert drive.facts.identity.confidence is IdentityConfidence.OWN
    assert drive.facts.removable


def test_soldered_flash_stays(machine: Machine) -> None:
    """Flash that is soldered in is not removable, and its boot areas are no drives."""
    place = "/sys/devices/platform/mmc_host/mmc1/mmc1:0001"
    folder = machine.block("mmcblk1", place)
    machine.link(f"{folder}/device", place)
    machine.write(f"{place}/type", "MMC")
    machine.block("mmcblk1boot0", f"{place}/x")
    (drive,) = machine.scan().drives

    assert (drive.ref, drive.facts.removable) == ("mmcblk1", False)


def test_card_reader_without_a_card_is_no_drive(machine: Machine) -> None:
    """A slot with nothing in it is no drive; the slot beside it with a card is."""
    machine.usb("sde", size_bytes=0, removable="1")
    machine.usb("sdf", lun=1, removable="1")
    (drive,) = machine.scan().drives

    assert (drive.ref, drive.facts.removable) == ("sdf", True)


def test_slots_of_one_reader_are_told_apart(machine: Machine) -> None:
    """Two cards in one reader have the same reader's serial but keys of their own."""
    machine.usb("sde", removable="1")
    machine.usb("sdf", lun=1, removable="1")
    first, second = machine.scan().drives

    assert first.key != second.key


def test_thunderbolt_drive_can_be_taken_out(machine: Machine) -> None:
    """An NVMe drive below a PCI device the kernel calls removable can be taken out."""
    machine.nvme(0)
    machine.write(f"{NVME_FUNCTION}/removable", "removable")
    (drive,) = machine.scan().drives

    assert drive.facts.removable


def test_drives_on_one_controller_share_it(machine: Machine) -> None:
    """SATA drives of one controller share it; an NVMe drive on a port of its own shares nothing."""
    machine.sata("sda", port=1)
    machine.sata("sdb", port=2)
    machine.nvme(0)
    inventory = machine.scan()

    assert [drive.ref for drive in inventory.sharing_upstream("sda")] == ["sdb"]
    assert inventory.sharing_upstream("nvme0n1") == ()


def test_hub_and_drive_behind_one_root_port_share_it(machine: Machine) -> None:
    """Everything in one dock hangs on one root port and shares it, whatever its bus."""
    machine.nvme(0, port="0000:00:1d.0")
    place = "/sys/devices/pci0000:00/0000:00:1d.0/0000:03:00.0/usb4/4-1/4-1:1.0/host7/target7:0:0/7:0:0:0"
    folder = machine.block("sdg", place)
    machine.link(f"{folder}/device", place)
    inventory = machine.scan()

    assert [drive.ref for drive in inventory.sharing_upstream("nvme0n1")] == ["sdg"]


def test_unknown_topology_counts_as_shared(machine: Machine) -> None:
    """A drive whose place is not known may share with any, so it counts as sharing with all."""
    machine.sata("sda")
    machine.block("sdz", "/sys/devices/platform/thing/host1/target1:0:0/1:0:0:0")
    inventory = machine.scan()

    assert [drive.ref for drive in inventory.sharing_upstream("sda")] == ["sdz"]
    assert [drive.ref for drive in inventory.sharing_upstream("sdz")] == ["sda"]


def test_system_drive(machine: Machine) -> None:
    """The drive that carries the running system, or its swap, is the system drive."""
    root = machine.partition(machine.nvme(0), "nvme0n1p1")
    swap_folder = machine.sata("sda", port=1)
    machine.partition(swap_folder, "sda2")
    machine.sata("sdb", port=2)
    machine.mount(root, "/")
    machine.write("/proc/swaps", "Filename Type Size Used Priority\n/dev/sda2 partition 1 0 -2")
    inventory = machine.scan()

    assert {drive.ref for drive in inventory.drives if drive.facts.system_drive} == {"nvme0n1", "sda"}


def test_loop_device_is_a_fixed_drive_of_its_own(machine: Machine) -> None:
    """A mounted loop device is a fixed virtual drive named from its file, and tells what that lies on."""
    number = machine.partition(machine.nvme(0), "nvme0n1p1")
    machine.mount(number, "/")
    folder = machine.block("loop0", "/sys/devices/virtual", loop__backing_file="/var/tmp/image")
    machine.mount(machine.number(folder), "/media/loop", source="/dev/loop0")
    inventory = machine.scan()
    loop = inventory.drive("loop0")

    assert loop is not None
    assert (loop.facts.path.bus, loop.facts.removable, loop.lies_on) == (Bus.LOOP, False, ("nvme0n1",))
    assert loop.facts.path.upstream == "pci-0000:00:1d.0"
    assert "image" not in (loop.facts.identity.serial or "image")
    assert loop.facts.identity.confidence is IdentityConfidence.OWN


def test_loop_devices_with_the_same_path_on_two_machines_differ(machine: Machine) -> None:
    """The made name holds the machine, so equal paths on two machines are two drives."""
    folder = machine.block("loop0", "/sys/devices/virtual", loop__backing_file="/image")
    machine.mount(machine.number(folder), "/m")
    machine.write("/etc/machine-id", "a" * 32)
    first = machine.scan().drives[0].facts.identity.serial
    machine.write("/etc/machine-id", "b" * 32)
    second = machine.scan().drives[0].facts.identity.serial

    assert first != second


@pytest.mark.parametrize("name", ["ram0", "zram0", "sr0", "fd0", "nbd0", "dm-0", "md0"])
def test_what_is_no_drive(machine: Machine, name: str) -> None:
    """Memory, optical and floppy drives, network blocks and layers are no drives."""
    machine.block(name, "/sys/devices/virtual")

    assert machine.scan().drives == ()


def test_hidden_path_of_an_nvme_drive_is_no_drive(machine: Machine) -> None:
    """A hidden path device of a multi-path NVMe drive does not count a second time."""
    machine.nvme(0)
    machine.block("nvme0c0n1", "/sys/devices/virtual/x", hidden="1")

    assert [drive.ref for drive in machine.scan().drives] == ["nvme0n1"]


def test_trim(machine: Machine) -> None:
    """A drive that takes discards says so, one that does not says so, one that is silent is unknown."""
    machine.sata("sda", port=1, discard="2147450880")
    machine.sata("sdb", port=2, discard="0")
    machine.sata("sdc", port=3, discard="")

    assert [drive.facts.trim for drive in machine.scan().drives] == [True, False, None]


def test_virtual_disk(machine: Machine) -> None:
    """A virtual disk is virtual; its rotation is unknown whatever the kernel says."""
    folder = machine.block(
        "vda", "/sys/devices/pci0000:00/0000:00:02.0/virtio1", rotational="1", serial="v-77"
    )
    (drive,) = machine.scan().drives

    assert folder
    assert (drive.facts.path.bus, drive.facts.rotational) == (Bus.VIRTUAL, None)
    assert drive.facts.identity.serial == "v-77"


def test_machine_with_nothing(machine: Machine) -> None:
    """A machine that shows nothing at all has an empty inventory."""
    inventory = machine.scan()

    assert (inventory.drives, inventory.volumes, inventory.remarks) == ((), (), ())


@pytest.mark.parametrize("folder", ["hwmon3", "hwmon/hwmon3"], ids=["older kernels", "newer kernels"])
def test_temperature_from_the_kernels_sensor(machine: Machine, folder: str) -> None:
    """A drive with a sensor file tells its temperature without any program; one without tells none."""
    machine.nvme(0)
    machine.sata("sda", port=1)
    machine.write(f"{NVME_FUNCTION}/nvme/nvme0/{folder}/temp1_input", "41850")
    flash, disk = machine.scan().drives

    assert temperature_c(flash, root=machine.root) == pytest.approx(41.85)
    assert temperature_c(disk, root=machine.root) is None


def test_nvme_over_the_network_is_no_drive_of_this_machine(machine: Machine) -> None:
    """An NVMe drive reached over TCP is another machine's."""
    folder = machine.nvme(0)
    machine.write(f"{NVME_FUNCTION}/nvme/nvme0/transport", "tcp")
    machine.mount(machine.number(folder), "/far")
    inventory = machine.scan()

    assert inventory.drives == ()
    assert "other machines" in inventory.remarks[0]


def test_names_for_people(machine: Machine) -> None:
    """People see model and serial where the drive has them, else its device file."""
    machine.nvme(0)
    machine.block("vda", "/sys/devices/pci0000:00/0000:00:02.0/virtio1")
    named, bare = machine.scan().drives

    assert (named.display_name, bare.display_name) == ("Invented Flash 2 NV-0000 (/dev/nvme0n1)", "/dev/vda")


def test_link_of_a_generation_not_known_is_unknown(machine: Machine) -> None:
    """A PCIe speed no table here has, or no width, gives no link rather than a guess."""
    machine.nvme(0)
    machine.pcie_link(NVME_FUNCTION, now=("64.0 GT/s PCIe", "4"), best=("Unknown", "0"))
    path = machine.scan().drives[0].facts.path

    assert (path.link_now, path.link_best, path.link_now_bytes_per_s) == (None, None, None)
