"""Puts a Windows machine's drives and volumes together from the answers to documented calls.

Link speeds and shared controllers are not told here, so every drive counts as sharing its link with every
other. Whether a volume is encrypted is not told either.
"""

import os
from collections import Counter
from collections.abc import Callable

from ebbmark_agent.drives.duplicates import tell_apart
from ebbmark_agent.drives.inventory import Drive, Inventory, Volume
from ebbmark_agent.drives.windows import answers
from ebbmark_agent.drives.windows.calls import Calls
from ebbmark_agent.platforms import VolumeSpace
from ebbmark_agent.report import Bus, DriveFacts, MappingCertainty, PathFacts, VolumeFacts

Space = Callable[[str], VolumeSpace]

_MOST_DISKS = 64
_ANSWER_BYTES = 4096
_FIXED_OR_REMOVABLE = frozenset({2, 3})
_REMOVABLE = 2
_NETWORK = 4
_READ_ONLY_VOLUME = 0x00080000  # FILE_READ_ONLY_VOLUME
_NO_SPACE = VolumeSpace(total_bytes=0, free_bytes=0)


def scan(calls: Calls, space: Space) -> Inventory:
    """Look at every drive and mounted volume of this machine.

    Args:
        calls: what is asked of Windows.
        space: gives the room on the volume at a path.
    """
    disks = {number: found for number in range(_MOST_DISKS) if (found := _descriptor(calls, number))}
    volumes = tuple(
        volume for name in calls.volumes() if (volume := _volume(calls, name, disks, space)) is not None
    )
    system = {
        ref for volume in volumes if _holds_system(volume.mount_point) for ref in volume.facts.member_refs
    }
    media = {
        ref
        for volume in volumes
        if calls.drive_type(volume.device) == _REMOVABLE
        for ref in volume.facts.member_refs
    }
    drives, doubts = tell_apart(
        tuple(
            _drive(calls, number, found, system=_ref(number) in system, medium=_ref(number) in media)
            for number, found in disks.items()
            if not found.over_network and found.bus_number != answers.STORAGE_SPACES
        )
    )
    return Inventory(drives=drives, volumes=volumes, remarks=(*_remarks(volumes), *doubts))


def volume_of(calls: Calls, space: Space, path: str) -> tuple[Volume, Inventory] | None:
    """Find the volume a path lies on, None if there is none."""
    inventory = scan(calls, space)
    name = calls.volume_holding(path)
    if name is None:
        return None
    for volume in inventory.volumes:
        if volume.device == name:
            return volume, inventory
    if calls.drive_type(name) == _NETWORK:
        return Volume.elsewhere(name, name), inventory
    return None


def _descriptor(calls: Calls, number: int) -> answers.Descriptor | None:
    asked = answers.query(answers.DEVICE_PROPERTY)
    answer = calls.control(_device(number), answers.STORAGE_QUERY_PROPERTY, asked, _ANSWER_BYTES)
    return answers.descriptor(answer) if answer is not None else None


def _volume(calls: Calls, name: str, disks: dict[int, answers.Descriptor], space: Space) -> Volume | None:
    points = calls.mount_points(name)
    told = calls.volume_information(name)
    if not points or told is None or calls.drive_type(name) not in _FIXED_OR_REMOVABLE:
        return None
    label, file_system, flags = told
    answer = calls.control(name.rstrip("\\"), answers.VOLUME_DISK_EXTENTS, b"", _ANSWER_BYTES)
    numbers = answers.disk_numbers(answer) if answer is not None else ()
    found = [disks[number] for number in numbers if number in disks]
    network = any(disk.over_network for disk in found)
    why = _uncertain(numbers, found)
    point = min(points, key=len)
    try:
        room = _NO_SPACE if network else space(point)
    except OSError:
        room = _NO_SPACE
    return Volume(
        facts=VolumeFacts(
            volume_id=f"fs-{name.strip(chr(92)).rpartition('Volume')[2].strip('{}') or 'unknown'}",
            file_system=file_system.lower() or "unknown",
            size_bytes=room.total_bytes,
            free_bytes=room.free_bytes,
            read_only=bool(flags & _READ_ONLY_VOLUME),
            certainty=MappingCertainty.UNCERTAIN if why else MappingCertainty.CERTAIN,
            member_refs=tuple(_ref(number) for number in numbers),
            network=network,
            note=why,
            label=label or None,
            mount=point[:256],
        ),
        mount_point=point,
        device=name,
    )


def _uncertain(numbers: tuple[int, ...], found: list[answers.Descriptor]) -> str | None:
    if not numbers or len(found) != len(numbers):
        return "disks that are not shown"
    if any(disk.over_network for disk in found):
        return "another machine"
    if any(disk.bus_number == answers.STORAGE_SPACES for disk in found):
        return "a pool of drives"
    if len(numbers) > 1:
        # The extents of a spanned, striped, mirrored or parity volume look alike here, so it cannot be told
        # how many of a probe's bytes reach the disks, nor what of their traffic is somebody else's.
        return "several disks, and Windows does not say whether as a span, a stripe, a mirror or with parity"
    return None


def _remarks(volumes: tuple[Volume, ...]) -> tuple[str, ...]:
    unsure = Counter(volume.facts.note or "something unknown" for volume in volumes if not volume.probeable)
    return tuple(
        f"{'1 volume' if count == 1 else f'{count} volumes'} on {why}: not certain, so not probed."
        for why, count in sorted(unsure.items())
    )


def _drive(calls: Calls, number: int, found: answers.Descriptor, *, system: bool, medium: bool) -> Drive:
    device = _device(number)

    def ask(property_id: int) -> bool | None:
        asked = answers.query(property_id)
        answer = calls.control(device, answers.STORAGE_QUERY_PROPERTY, asked, _ANSWER_BYTES)
        return answers.flag(answer) if answer is not None else None

    size = calls.control(device, answers.DISK_GEOMETRY_EX, b"", _ANSWER_BYTES)
    return Drive(
        facts=DriveFacts(
            ref=_ref(number),
            identity=found.identity,
            path=PathFacts(bus=found.bus),
            capacity_bytes=answers.disk_size(size) if size is not None else None,
            rotational=ask(answers.SEEK_PENALTY_PROPERTY),
            removable=found.removable or medium or found.bus in {Bus.USB, Bus.MMC},
            system_drive=system,
            trim=ask(answers.TRIM_PROPERTY),
        ),
        device=device,
        smart_node=f"/dev/pd{number}",
        place=_ref(number),
    )


def _holds_system(point: str) -> bool:
    return point.upper().startswith(os.environ.get("SYSTEMDRIVE", "C:").upper())


def _device(number: int) -> str:
    return rf"\\.\PhysicalDrive{number}"


def _ref(number: int) -> str:
    return f"PhysicalDrive{number}"
