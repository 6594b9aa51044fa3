"""macOS: the inventory from the property lists of `diskutil` and `ioreg`.

The readers are held by tests against lists of our own making in the documented shape; they have not been run
on a Mac by those tests. Link speeds and shared controllers are not told here, so every drive counts as
sharing its link with every other.
"""

import plistlib
import re
import subprocess
from collections.abc import Callable, Iterator, Mapping
from typing import Any
from xml.parsers.expat import ExpatError

from ebbmark_agent.drives.duplicates import tell_apart
from ebbmark_agent.drives.inventory import Drive, Inventory, Volume
from ebbmark_agent.drives.names import clean, true_serial
from ebbmark_agent.platforms import VolumeSpace
from ebbmark_agent.report import (
    Bus,
    DriveFacts,
    DriveIdentity,
    IdentityConfidence,
    MappingCertainty,
    PathFacts,
    VolumeFacts,
)

Run = Callable[[tuple[str, ...]], bytes]
Space = Callable[[str], VolumeSpace]
Plist = Mapping[str, Any]

SYSTEM = "macos"
LIST_DISKS = ("/usr/sbin/diskutil", "list", "-plist")
STORAGE_DEVICES = ("/usr/sbin/ioreg", "-a", "-r", "-l", "-w", "0", "-c", "IOBlockStorageDevice")
_TIMEOUT_S = 20.0
_BUSES = {
    "PCI-Express": Bus.NVME,
    "Apple Fabric": Bus.NVME,
    "SATA": Bus.SATA,
    "SAS": Bus.SAS,
    "USB": Bus.USB,
    "Secure Digital": Bus.MMC,
    "Virtual Interface": Bus.VIRTUAL,
}
_OWN_VOICE = frozenset({Bus.NVME, Bus.SATA, Bus.SAS})
_SYSTEM_VOLUMES = "/System/Volumes/"
_DATA_VOLUME = "/System/Volumes/Data"
_WHOLE = re.compile(r"disk\d+")
_NO_SPACE = VolumeSpace(total_bytes=0, free_bytes=0)


def run_command(command: tuple[str, ...]) -> bytes:
    """Run one of the system's own tools and give what it prints, empty if it fails or takes too long."""
    try:
        return subprocess.run(command, capture_output=True, check=False, timeout=_TIMEOUT_S).stdout
    except (OSError, subprocess.TimeoutExpired):
        return b""


def scan(run: Run, space: Space) -> Inventory:
    """Look at every drive and mounted volume of this Mac.

    Args:
        run: runs one of the system's tools.
        space: gives the room on the volume mounted at a path.
    """
    listed = _plist(run(LIST_DISKS))
    stores = _physical_stores(listed)
    volumes = tuple(
        _volume(device, point, info=_plist(run(_info(device))), stores=stores, space=space)
        for device, point in _mounted(listed)
    )
    system = {
        ref
        for volume in volumes
        if volume.mount_point in {"/", _DATA_VOLUME}
        for ref in volume.facts.member_refs
    }
    drives, doubts = tell_apart(tuple(_drives(run(STORAGE_DEVICES), system=frozenset(system))))
    remarks: tuple[str, ...] = (
        () if listed else ("diskutil did not answer, so no volume could be mapped to its drive.",)
    )
    unsure = sum(1 for volume in volumes if not volume.probeable)
    if unsure:
        remarks += (f"{unsure} of the volumes lie on drives that are not certain, so they are not probed.",)
    return Inventory(drives=drives, volumes=volumes, remarks=(*remarks, *doubts))


def volume_of(run: Run, space: Space, path: str) -> tuple[Volume, Inventory] | None:
    """Find the volume a path lies on; `df` knows it through the links that join system and data volume."""
    inventory = scan(run, space)
    lines = run(("/bin/df", "-P", path)).decode(errors="replace").splitlines()
    device = lines[1].split()[0] if len(lines) > 1 and lines[1].split() else ""
    for volume in inventory.volumes:
        if volume.device == device:
            return volume, inventory
    if not device.startswith("/dev/") and device:
        return Volume.elsewhere(path, device), inventory
    return None


def _info(device: str) -> tuple[str, ...]:
    return ("/usr/sbin/diskutil", "info", "-plist", device)


def _plist(content: bytes) -> Plist:
    try:
        read = plistlib.loads(content)
    except (plistlib.InvalidFileException, ExpatError, ValueError):
        return {}
    return read if isinstance(read, Mapping) else {}


def _items(plist: Plist, key: str) -> Iterator[Plist]:
    found = plist.get(key)
    for item in found if isinstance(found, list) else ():
        if isinstance(item, Mapping):
            yield item


def _text(plist: Plist, key: str) -> str | None:
    found = plist.get(key)
    return found if isinstance(found, str) and found else None


def _mounted(listed: Plist) -> Iterator[tuple[str, str]]:
    for disk in _items(listed, "AllDisksAndPartitions"):
        for part in (disk, *_items(disk, "Partitions"), *_items(disk, "APFSVolumes")):
            device, point = _text(part, "DeviceIdentifier"), _text(part, "MountPoint")
            if device and point and (not point.startswith(_SYSTEM_VOLUMES) or point == _DATA_VOLUME):
                yield device, point


def _physical_stores(listed: Plist) -> dict[str, tuple[str, ...]]:
    """Give for each APFS container the whole drives its stores lie on."""
    return {
        container: tuple(
            dict.fromkeys(
                _whole(store)
                for item in _items(disk, "APFSPhysicalStores")
                if (store := _text(item, "DeviceIdentifier"))
            )
        )
        for disk in _items(listed, "AllDisksAndPartitions")
        if (container := _text(disk, "DeviceIdentifier")) and disk.get("APFSPhysicalStores")
    }


def _whole(device: str) -> str:
    found = _WHOLE.match(device)
    return found.group() if found else device


def _volume(
    device: str, point: str, *, info: Plist, stores: Mapping[str, tuple[str, ...]], space: Space
) -> Volume:
    whole = _whole(device)
    members = stores.get(whole, (whole,))
    why = _uncertain(info, members)
    try:
        room = space(point)
    except OSError:
        room = _NO_SPACE
    return Volume(
        facts=VolumeFacts(
            volume_id=f"fs-{_text(info, 'VolumeUUID') or _text(info, 'DiskUUID') or device}",
            file_system=_text(info, "FilesystemType") or "unknown",
            size_bytes=room.total_bytes,
            free_bytes=room.free_bytes,
            read_only=info.get("WritableVolume") is False,
            certainty=MappingCertainty.UNCERTAIN if why else MappingCertainty.CERTAIN,
            member_refs=members,
            encrypted=info.get("FileVault") is True or info.get("Encryption") is True,
            note=why,
            label=_text(info, "VolumeName"),
            mount=point[:256],
        ),
        mount_point=point,
        device=f"/dev/{device}",
    )


def _uncertain(info: Plist, members: tuple[str, ...]) -> str | None:
    if not info:
        return "a volume diskutil does not tell about"
    if len(members) > 1:
        return "a container over several drives"
    if any(info.get(key) for key in ("RAIDMaster", "RAIDSlice", "CoreStorageLogicalVolume")):
        return "a RAID set or a logical volume"
    return None


def _drives(content: bytes, *, system: frozenset[str]) -> Iterator[Drive]:
    try:
        roots = plistlib.loads(content)
    except (plistlib.InvalidFileException, ExpatError, ValueError):
        return
    for device in roots if isinstance(roots, list) else ():
        medium = next(_media(device), None)
        if medium is None or not medium.get("Size"):
            continue
        name = _text(medium, "BSD Name") or ""
        how = _part(device, "Protocol Characteristics")
        bus = _BUSES.get(_text(how, "Physical Interconnect") or "", Bus.UNKNOWN)
        told = _part(device, "Device Characteristics")
        outside = _text(how, "Physical Interconnect Location") != "Internal"
        size = medium.get("Size")
        yield Drive(
            facts=DriveFacts(
                ref=name,
                identity=_identity(told, bus=bus),
                path=PathFacts(bus=bus),
                capacity_bytes=size if isinstance(size, int) else None,
                rotational={"Solid State": False, "Rotational": True}.get(_text(told, "Medium Type") or ""),
                removable=outside or medium.get("Removable") is True or medium.get("Ejectable") is True,
                system_drive=name in system,
            ),
            device=f"/dev/{name}",
            smart_node=f"/dev/{name}",
            place=name,
        )


def _part(plist: Plist, key: str) -> Plist:
    found = plist.get(key)
    return found if isinstance(found, Mapping) else {}


def _media(node: Plist) -> Iterator[Plist]:
    """Give the whole media at or below a registry node, the node nearest first."""
    if node.get("Whole") is True and _text(node, "BSD Name"):
        yield node
        return
    for child in _items(node, "IORegistryEntryChildren"):
        yield from _media(child)


def _identity(told: Plist, *, bus: Bus) -> DriveIdentity:
    serial = true_serial(_text(told, "Serial Number"))
    confidence = IdentityConfidence.OWN if bus in _OWN_VOICE else IdentityConfidence.READER
    return DriveIdentity(
        confidence=confidence if serial else IdentityConfidence.NONE,
        serial=serial,
        model=clean(_text(told, "Product Name")),
        firmware=clean(_text(told, "Product Revision Level")),
    )
