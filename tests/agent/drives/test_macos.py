"""The Mac inventory from lists in the documented shape, made here for invented drives."""

import plistlib
from typing import Any

import pytest
from ebbmark_agent.drives import Inventory, macos
from ebbmark_agent.report import Bus, IdentityConfidence

from tests.agent.drives.tree import ROOM

LISTED: dict[str, Any] = {
    "AllDisksAndPartitions": [
        {
            "DeviceIdentifier": "disk0",
            "Size": 1_000_555_581_440,
            "Partitions": [{"DeviceIdentifier": "disk0s2", "Content": "Apple_APFS"}],
        },
        {
            "DeviceIdentifier": "disk3",
            "APFSPhysicalStores": [{"DeviceIdentifier": "disk0s2"}],
            "APFSVolumes": [
                {"DeviceIdentifier": "disk3s1", "MountPoint": "/System/Volumes/Data", "VolumeName": "Data"},
                {"DeviceIdentifier": "disk3s2", "MountPoint": "/System/Volumes/Preboot"},
                {"DeviceIdentifier": "disk3s3s1", "MountPoint": "/"},
            ],
        },
        {
            "DeviceIdentifier": "disk4",
            "Size": 4_000_787_030_016,
            "Partitions": [{"DeviceIdentifier": "disk4s1", "MountPoint": "/Volumes/REEL 7"}],
        },
        {
            "DeviceIdentifier": "disk6",
            "APFSPhysicalStores": [{"DeviceIdentifier": "disk7s2"}, {"DeviceIdentifier": "disk8s2"}],
            "APFSVolumes": [{"DeviceIdentifier": "disk6s1", "MountPoint": "/Volumes/Fused"}],
        },
    ]
}
INFO: dict[str, dict[str, Any]] = {
    "disk3s1": {"FilesystemType": "apfs", "VolumeUUID": "AAAA", "WritableVolume": True, "FileVault": True},
    "disk3s3s1": {"FilesystemType": "apfs", "VolumeUUID": "BBBB", "WritableVolume": False},
    "disk4s1": {
        "FilesystemType": "exfat",
        "VolumeUUID": "CCCC",
        "WritableVolume": True,
        "VolumeName": "REEL 7",
    },
    "disk6s1": {"FilesystemType": "apfs", "VolumeUUID": "DDDD", "WritableVolume": True},
}


def _device(name: str, *, interconnect: str, location: str, **told: str) -> dict[str, Any]:
    medium = {
        "BSD Name": name,
        "Whole": True,
        "Size": 1_000_555_581_440,
        "Removable": False,
        "Ejectable": False,
    }
    return {
        "Protocol Characteristics": {
            "Physical Interconnect": interconnect,
            "Physical Interconnect Location": location,
        },
        "Device Characteristics": {"Medium Type": "Solid State", **told},
        "IORegistryEntryChildren": [
            {"IOObjectClass": "IOBlockStorageDriver", "IORegistryEntryChildren": [medium]},
        ],
    }


DEVICES = [
    _device(
        "disk0",
        interconnect="PCI-Express",
        location="Internal",
        **{"Serial Number": "NV-0001 ", "Product Name": "Invented Flash 2", "Product Revision Level": "1.0"},
    ),
    _device(
        "disk4",
        interconnect="USB",
        location="External",
        **{"Serial Number": "BRIDGE-7", "Product Name": "Portable 5"},
    ),
]


def run(command: tuple[str, ...]) -> bytes:
    """Answer as the system's tools would."""
    if command == macos.LIST_DISKS:
        return plistlib.dumps(LISTED)
    if command == macos.STORAGE_DEVICES:
        return plistlib.dumps(DEVICES)
    if command[1:3] == ("info", "-plist"):
        return plistlib.dumps(INFO.get(command[3], {}))
    if command[0] == "/bin/df":
        devices = {"/Users/a": "/dev/disk3s1", "/Volumes/REEL 7/x": "/dev/disk4s1", "/net": "//server/share"}
        return f"Filesystem 512-blocks Used Available\n{devices[command[2]]} 1 1 1\n".encode()
    return b""


@pytest.fixture
def inventory() -> Inventory:
    """The inventory of the invented Mac."""
    return macos.scan(run, lambda _: ROOM)


def test_drives(inventory: Inventory) -> None:
    """The built-in drive speaks for itself, the one on USB through its reader, and only that can go."""
    inside, outside = inventory.drives

    assert (inside.facts.path.bus, inside.facts.identity.serial) == (Bus.NVME, "NV-0001")
    assert inside.facts.identity.confidence is IdentityConfidence.OWN
    assert (inside.facts.removable, inside.facts.rotational, inside.facts.system_drive) == (
        False,
        False,
        True,
    )
    assert (outside.facts.path.bus, outside.facts.identity.confidence) == (Bus.USB, IdentityConfidence.READER)
    assert (outside.facts.removable, outside.facts.system_drive) == (True, False)


def test_container_lies_on_its_store(inventory: Inventory) -> None:
    """An APFS volume lies on the drive of its container's store, encrypted or not."""
    data = next(volume for volume in inventory.volumes if volume.facts.volume_id == "fs-AAAA")

    assert (data.facts.member_refs, data.facts.encrypted, data.probeable) == (("disk0",), True, True)


def test_system_snapshot_is_read_only_and_its_helpers_are_left_out(inventory: Inventory) -> None:
    """The sealed system is read-only; the volumes the system keeps for itself are not listed."""
    points = {volume.mount_point: volume.facts.read_only for volume in inventory.volumes}

    assert points == {
        "/System/Volumes/Data": False,
        "/": True,
        "/Volumes/REEL 7": False,
        "/Volumes/Fused": False,
    }


def test_container_over_two_drives_is_uncertain(inventory: Inventory) -> None:
    """A container over two drives is not probed, and that is said once."""
    fused = next(volume for volume in inventory.volumes if volume.mount_point == "/Volumes/Fused")

    assert not fused.probeable
    assert len(inventory.remarks) == 1


def test_volume_of_a_path() -> None:
    """A path in a home folder belongs to the data volume, however the system joins the two."""
    found = macos.volume_of(run, lambda _: ROOM, "/Users/a")

    assert found is not None
    assert found[0].facts.volume_id == "fs-AAAA"


def test_path_on_a_server() -> None:
    """A path on a server is out of reach and says so."""
    found = macos.volume_of(run, lambda _: ROOM, "/net")

    assert found is not None
    assert (found[0].facts.network, found[0].probeable) == (True, False)


@pytest.mark.parametrize("answer", [b"", b"rubbish", b"<plist><array/></plist>"])
def test_tools_that_do_not_answer(answer: bytes) -> None:
    """Tools that fail or print rubbish leave an empty inventory with a remark."""
    found = macos.scan(lambda _: answer, lambda _: ROOM)

    assert (found.drives, found.volumes) == ((), ())
    assert "diskutil" in found.remarks[0]


def test_tool_that_is_not_there() -> None:
    """A tool that is not on this system gives nothing, not a crash."""
    assert macos.run_command(("/nowhere/diskutil", "list")) == b""
