"""The Windows inventory from answers in the documented structures, made here for invented drives."""

import ctypes
import struct
from dataclasses import dataclass, field
from typing import Any

import pytest
from ebbmark_agent.drives import Inventory, windows
from ebbmark_agent.drives.windows import Kernel32Calls, answers
from ebbmark_agent.report import Bus, IdentityConfidence

from tests.agent.drives.tree import ROOM

SATA, USB, ISCSI, SPACES, NVME = 11, 7, 9, 16, 17


def descriptor(bus: int, *, serial: str, product: str = "Invented Disk 4", removable: bool = False) -> bytes:
    """Pack a STORAGE_DEVICE_DESCRIPTOR."""
    texts = [product, "2.1", serial]
    offsets, at = [], 40
    for text in texts:
        offsets.append(at)
        at += len(text) + 1
    head = struct.pack("<IIBBBBIIIII", 40, at, 0, 0, removable, 0, 0, offsets[0], offsets[1], offsets[2], bus)
    return head.ljust(40, b"\0") + b"".join(text.encode() + b"\0" for text in texts)


def extents(*disks: int) -> bytes:
    """Pack a VOLUME_DISK_EXTENTS."""
    return struct.pack("<I4x", len(disks)) + b"".join(
        struct.pack("<I4xqq", disk, 1_048_576, 10**12) for disk in disks
    )


@dataclass
class FakeCalls:
    """Windows as far as the inventory asks it."""

    disks: dict[int, bytes]
    spread: dict[str, bytes]
    points: dict[str, tuple[str, ...]]
    types: dict[str, int] = field(default_factory=dict)
    flags: dict[str, int] = field(default_factory=dict)

    def volumes(self) -> tuple[str, ...]:
        """Give the volumes' names."""
        return tuple(self.points)

    def mount_points(self, volume: str) -> tuple[str, ...]:
        """Give the paths a volume is reached by."""
        return self.points[volume]

    def drive_type(self, root: str) -> int:
        """Give the kind of a volume, fixed unless said otherwise."""
        return self.types.get(root, 3)

    def volume_information(self, volume: str) -> tuple[str, str, int] | None:
        """Give label, file system and flags."""
        return ("REEL 7", "NTFS", self.flags.get(volume, 0))

    def volume_holding(self, path: str) -> str | None:
        """Give the volume that holds a path."""
        for volume, points in self.points.items():
            if any(path.startswith(point) for point in points):
                return volume
        return path if path.startswith("Z:") else None

    def control(self, device: str, code: int, request: bytes, answer_bytes: int) -> bytes | None:
        """Answer a control code."""
        if code == answers.VOLUME_DISK_EXTENTS:
            return self.spread.get(device + "\\")
        number = int(device.rpartition("PhysicalDrive")[2])
        if number not in self.disks:
            return None
        if code == answers.DISK_GEOMETRY_EX:
            return struct.pack("<qIIIIq", 1, 12, 255, 63, 512, 2_000_000_000_000)
        property_id = struct.unpack_from("<I", request)[0]
        if property_id == answers.DEVICE_PROPERTY:
            return self.disks[number]
        return struct.pack("<IIB", 12, 9, property_id == answers.TRIM_PROPERTY)


def volume_name(letter: str) -> str:
    """Give an invented volume name."""
    return rf"\\?\Volume{{{letter * 8}-0000}}" + "\\"


@pytest.fixture
def calls() -> FakeCalls:
    """A machine with a system drive, a portable drive, a pair, a pool and a served disk."""
    c, e, r, p, s = (volume_name(letter) for letter in "cerps")
    return FakeCalls(
        disks={
            0: descriptor(NVME, serial="0025_385B_71B0_0001."),
            1: descriptor(USB, serial="BRIDGE-7"),
            2: descriptor(SATA, serial="  INV-2"),
            3: descriptor(SATA, serial="INV-3"),
            4: descriptor(SPACES, serial="{pool}"),
            5: descriptor(ISCSI, serial="target"),
        },
        spread={c: extents(0), e: extents(1), r: extents(2, 3), p: extents(4), s: extents(5)},
        points={c: ("C:\\",), e: ("E:\\",), r: ("R:\\", "C:\\mnt\\raid\\"), p: ("P:\\",), s: ("S:\\",)},
    )


@pytest.fixture
def inventory(calls: FakeCalls, monkeypatch: pytest.MonkeyPatch) -> Inventory:
    """The inventory of that machine."""
    monkeypatch.setenv("SYSTEMDRIVE", "C:")
    return windows.scan(calls, lambda _: ROOM)


def test_drives(inventory: Inventory) -> None:
    """Local drives are listed with bus, size and role; pools and served disks are none."""
    drives = {drive.ref: drive for drive in inventory.drives}

    assert list(drives) == ["PhysicalDrive0", "PhysicalDrive1", "PhysicalDrive2", "PhysicalDrive3"]
    assert drives["PhysicalDrive0"].facts.system_drive
    assert drives["PhysicalDrive1"].facts.removable
    assert (drives["PhysicalDrive2"].facts.trim, drives["PhysicalDrive2"].facts.rotational) == (True, False)
    assert (drives["PhysicalDrive2"].kernel_name, drives["PhysicalDrive2"].smart_node) == (
        "PhysicalDrive2",
        "/dev/pd2",
    )
    assert drives["PhysicalDrive2"].facts.capacity_bytes == 2_000_000_000_000


def test_names(inventory: Inventory) -> None:
    """An NVMe drive's grouped digits are its EUI-64; a USB bridge's serial is the reader's."""
    flash, portable, disk, _ = (drive.facts.identity for drive in inventory.drives)

    assert (flash.eui64, flash.serial) == ("0025385b71b00001", None)
    assert portable.confidence is IdentityConfidence.READER
    assert (disk.serial, disk.model, disk.firmware) == ("INV-2", "Invented Disk 4", "2.1")


def test_volume_over_two_disks_is_an_array_of_unknown_kind(inventory: Inventory) -> None:
    """A volume over two disks names both and is not probed: a stripe looks like a mirror there."""
    array = next(volume for volume in inventory.volumes if volume.mount_point == "R:\\")

    assert (array.array, array.probeable) == (True, False)
    assert array.facts.member_refs == ("PhysicalDrive2", "PhysicalDrive3")
    assert "mirror" in (array.facts.note or "")


def test_each_uncertainty_is_remarked_once(inventory: Inventory) -> None:
    """The pair, the pool and the served disk are each told in one sentence, without alarm."""
    told = inventory.remarks

    assert len(told) == 3
    assert [sum(word in one for one in told) for word in ("stripe", "pool", "another machine")] == [1, 1, 1]


@pytest.mark.parametrize(("point", "network"), [("P:\\", False), ("S:\\", True)])
def test_pool_and_served_disk_are_not_probed(inventory: Inventory, point: str, network: bool) -> None:
    """A volume on a pool is uncertain, one on a served disk is another machine's."""
    volume = next(volume for volume in inventory.volumes if volume.mount_point == point)

    assert (volume.probeable, volume.facts.network) == (False, network)


def test_read_only_volume(calls: FakeCalls) -> None:
    """A volume that Windows flags as read-only is read-only."""
    calls.flags[volume_name("e")] = 0x00080000
    volumes = {v.mount_point: v for v in windows.scan(calls, lambda _: ROOM).volumes}

    assert (volumes["E:\\"].facts.read_only, volumes["R:\\"].facts.read_only) == (True, False)


def test_volume_of_a_path(calls: FakeCalls) -> None:
    """A path belongs to the volume Windows names for it; a network path is another machine's."""
    calls.types["Z:\\clips"] = 4
    inside = windows.volume_of(calls, lambda _: ROOM, "E:\\clips")
    served = windows.volume_of(calls, lambda _: ROOM, "Z:\\clips")

    assert inside is not None
    assert inside[0].facts.member_refs == ("PhysicalDrive1",)
    assert served is not None
    assert served[0].facts.network


@pytest.mark.parametrize("answer", [b"", b"\x01", b"\xff" * 7, extents(1)[:20], b"\xff" * 40])
def test_short_answers_are_nothing(answer: bytes) -> None:
    """Answers that are cut short give nothing instead of a wrong drive."""
    assert answers.flag(answer[:8]) is None
    assert answers.disk_size(answer) is None
    assert len(answers.disk_numbers(answer)) <= 1
    found = answers.descriptor(answer)
    assert found is None or found.identity.serial is None


def test_bus_numbers() -> None:
    """The buses of STORAGE_BUS_TYPE that matter come out by name."""
    buses = [
        answers.descriptor(descriptor(number, serial="INV-1")) for number in (NVME, SATA, USB, 10, 12, 14, 99)
    ]

    assert [found.bus for found in buses if found] == [
        Bus.NVME,
        Bus.SATA,
        Bus.USB,
        Bus.SAS,
        Bus.MMC,
        Bus.VIRTUAL,
        Bus.UNKNOWN,
    ]


class RecordingKernel32:
    """Stands in for kernel32 and keeps what it was called with."""

    def __init__(self) -> None:
        """Begin with no call made."""
        self.calls: list[tuple[str, tuple[Any, ...]]] = []

    def __getattr__(self, name: str) -> Any:
        """Give a function that keeps its call and answers as `answer` says."""

        def call(*arguments: Any) -> Any:
            self.calls.append((name, arguments))
            return self.answer(name, arguments)

        return call

    def answer(self, name: str, arguments: tuple[Any, ...]) -> Any:
        """Answer a call."""
        if name == "FindFirstVolumeW":
            arguments[0].value = volume_name("c")
            return 77
        if name == "FindNextVolumeW":
            more = sum(1 for called, _ in self.calls if called == name) == 1
            arguments[1].value = volume_name("e")
            return more
        if name == "GetVolumePathNamesForVolumeNameW":
            paths = "C:\\\0C:\\mnt\\\0\0"
            arguments[1][: len(paths)] = paths
            arguments[3]._obj.value = len(paths)
            return True
        if name == "CreateFileW":
            return 55
        if name == "DeviceIoControl":
            ctypes.memmove(arguments[4], b"answer", 6)
            arguments[6]._obj.value = 6
            return True
        return 1


def test_volumes_are_walked_and_the_search_closed() -> None:
    """The volumes are taken one after another and the search is closed."""
    kernel32 = RecordingKernel32()
    found = Kernel32Calls(kernel32).volumes()

    assert found == (volume_name("c"), volume_name("e"))
    assert kernel32.calls[-1] == ("FindVolumeClose", (77,))


def test_paths_of_a_volume_are_parted() -> None:
    """The list of paths, parted by zeros, comes out as paths."""
    assert Kernel32Calls(RecordingKernel32()).mount_points(volume_name("c")) == ("C:\\", "C:\\mnt\\")


def test_control_opens_for_no_access_and_closes() -> None:
    """A disk is opened without any right to read or write it, asked, and closed."""
    kernel32 = RecordingKernel32()
    answer = Kernel32Calls(kernel32).control(r"\\.\PhysicalDrive0", 0x2D1400, b"\0" * 12, 64)
    names = [name for name, _ in kernel32.calls]

    assert answer == b"answer"
    assert kernel32.calls[0][1][:2] == (r"\\.\PhysicalDrive0", 0)
    assert names == ["CreateFileW", "DeviceIoControl", "CloseHandle"]
