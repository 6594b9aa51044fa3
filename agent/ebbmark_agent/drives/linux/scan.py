"""Puts the machine's drives and volumes together from mounts, block devices and links."""

import hashlib
import os
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ebbmark_agent.drives.duplicates import tell_apart
from ebbmark_agent.drives.inventory import Drive, Inventory, Volume
from ebbmark_agent.drives.linux.blocks import SECTOR_BYTES, Blocks, Lie
from ebbmark_agent.drives.linux.identity import identity_seen, udev_facts
from ebbmark_agent.drives.linux.links import raid_controller, way_to
from ebbmark_agent.drives.linux.mounts import (
    Footing,
    Mount,
    file_system_key,
    holding,
    one_each,
    parse_mountinfo,
)
from ebbmark_agent.drives.linux.tree import Tree
from ebbmark_agent.drives.names import clean
from ebbmark_agent.platforms import VolumeSpace
from ebbmark_agent.report import (
    Bus,
    DriveFacts,
    DriveIdentity,
    IdentityConfidence,
    MappingCertainty,
    VolumeFacts,
)

Space = Callable[[str], VolumeSpace]

_SYSTEM_MOUNTS = frozenset({"/", "/boot", "/boot/efi", "/efi", "/usr", "/var"})
_NVME_DRIVE = re.compile(r"(nvme\d+)(c\d+)?n\d+")
_NO_SPACE = VolumeSpace(total_bytes=0, free_bytes=0)


def scan(tree: Tree, space: Space) -> Inventory:
    """Look at every drive and mounted volume of this machine without touching any.

    Args:
        tree: where the kernel's files are.
        space: gives the room on the volume mounted at a path.
    """
    return _Scan(tree=tree, blocks=Blocks(tree=tree), space=space, mounts=_mounts(tree)).inventory()


def volume_of(tree: Tree, space: Space, path: str) -> tuple[Volume, Inventory] | None:
    """Find the volume a path lies on, with the inventory its drives are in.

    Args:
        tree: where the kernel's files are.
        space: gives the room on the volume mounted at a path.
        path: absolute and without links.

    Returns:
        None if no mount holds the path. A volume of another machine or of unknown footing is given too, and
        says so.
    """
    look = _Scan(tree=tree, blocks=Blocks(tree=tree), space=space, mounts=_mounts(tree))
    inventory = look.inventory()
    mount = holding(look.mounts, path)
    if mount is None:
        return None
    same = look.known.get(file_system_key(mount))
    return (same or look.volume(mount)), inventory


@dataclass(kw_only=True)
class _Scan:
    tree: Tree
    blocks: Blocks
    space: Space
    mounts: tuple[Mount, ...]

    def __post_init__(self) -> None:
        self.known: dict[str, Volume] = {}

    def inventory(self) -> Inventory:
        unsure: Counter[str] = Counter()
        for mount in one_each(self.mounts):
            if mount.footing is Footing.NETWORK:
                unsure["network"] += 1
            elif mount.footing is Footing.UNCERTAIN:
                unsure[mount.file_system] += 1
            elif mount.footing is Footing.BLOCK:
                self._keep(mount, unsure)
        wanted = {ref for volume in self.known.values() for ref in volume.facts.member_refs}
        drives = tuple(
            self._drive(name)
            for name in self.blocks.whole()
            if self.blocks.is_drive(name) and (not name.startswith("loop") or _ref(name) in wanted)
        )
        served = sum(1 for drive in drives if drive.controller is not None)
        told_apart, doubts = tell_apart(drives)
        return Inventory(
            drives=told_apart,
            volumes=tuple(self.known.values()),
            remarks=(*_remarks(unsure), *_controller_remarks(served), *doubts),
        )

    def _keep(self, mount: Mount, unsure: Counter[str]) -> None:
        volume = self.volume(mount)
        if volume.facts.network:
            unsure["network"] += 1
            return
        if volume.facts.certainty is MappingCertainty.UNCERTAIN:
            unsure[volume.facts.note or "something unknown"] += 1
        self.known[file_system_key(mount)] = volume

    def volume(self, mount: Mount) -> Volume:
        block = self._block_of(mount)
        lie = self._lie(mount, block)
        note = lie.why
        try:
            room = self.space(mount.mount_point) if not lie.network else _NO_SPACE
        except OSError as refusal:
            room, note = _NO_SPACE, note or f"its room cannot be read ({refusal.strerror})"
        return Volume(
            facts=VolumeFacts(
                volume_id=self._volume_id(mount, block),
                file_system=mount.file_system[:256],
                size_bytes=room.total_bytes,
                free_bytes=room.free_bytes,
                read_only=mount.read_only or bool(block and self.tree.flag(self.blocks.folder(block) / "ro")),
                certainty=MappingCertainty.CERTAIN if lie.certain else MappingCertainty.UNCERTAIN,
                member_refs=tuple(_ref(name) for name in lie.drives),
                encrypted=lie.encrypted,
                network=lie.network,
                note=note,
                label=self._label(block),
                mount=_printable(mount.mount_point),
            ),
            mount_point=mount.mount_point,
            device=f"/dev/{block}" if block else mount.source,
            copies_beneath=lie.copies,
        )

    def _block_of(self, mount: Mount) -> str | None:
        if mount.footing is not Footing.BLOCK:
            return None
        if not mount.device_number.startswith("0:"):
            return self.blocks.by_number(mount.device_number)
        return self.blocks.by_device(mount.source)

    def _lie(self, mount: Mount, block: str | None) -> Lie:
        if mount.footing is Footing.NETWORK:
            return Lie(certain=False, why="another machine", network=True)
        if mount.footing is not Footing.BLOCK:
            return Lie(certain=False, why=mount.file_system)
        if block is None:
            return Lie(certain=False, why="a device that is not shown")
        if mount.file_system == "bcachefs" and ":" in mount.source:
            return Lie(certain=False, why="a file system over several devices")
        if mount.file_system == "btrfs" and (others := self._btrfs_devices(block)):
            drives = [drive for name in others for drive in self.blocks.beneath(name).drives]
            return Lie(
                drives=tuple(dict.fromkeys(drives)),
                certain=False,
                why="a file system over several devices",
            )
        return self.blocks.beneath(block)

    def _btrfs_devices(self, block: str) -> tuple[str, ...]:
        folder = self.tree.at("/sys/fs/btrfs")
        for file_system in self.tree.names(folder):
            devices = self.tree.names(folder / file_system / "devices")
            if block in devices and len(devices) > 1:
                return devices
        return ()

    def _volume_id(self, mount: Mount, block: str | None) -> str:
        if block:
            udev = udev_facts(self.tree, self.tree.text(self.blocks.folder(block) / "dev"))
            for key, kind in (("ID_FS_UUID", "fs"), ("ID_PART_ENTRY_UUID", "part")):
                if udev.get(key):
                    return f"{kind}-{udev[key]}"
            linked = self._linked("/dev/disk/by-uuid", block)
            if linked:
                return f"fs-{linked}"
        # A path may carry a title, so only its trace leaves; it lasts as long as the volume keeps its place.
        backing = self._backing_file(self.blocks.partition_of(block) or block) if block else None
        trace = backing or (block and self._place(block)) or f"{mount.source}{mount.mount_point}"
        return "trace-" + hashlib.sha256(f"{trace}|{block or ''}".encode(errors="replace")).hexdigest()[:24]

    def _place(self, block: str) -> str:
        disk = self.blocks.partition_of(block) or block
        return way_to(self.tree, self.blocks.folder(disk), name=disk).place

    def _linked(self, folder: str, block: str) -> str | None:
        place = self.tree.at(folder)
        for name in self.tree.names(place):
            if (place / name).resolve().name == block:
                return name
        return None

    def _label(self, block: str | None) -> str | None:
        if block is None:
            return None
        udev = udev_facts(self.tree, self.tree.text(self.blocks.folder(block) / "dev"))
        return clean(udev.get("ID_FS_LABEL"))

    def _drive(self, name: str) -> Drive:
        folder = self.blocks.folder(name)
        way = way_to(self.tree, folder, name=name)
        backing = self._backing_file(name)
        identity = identity_seen(self.tree, folder, bus=way.facts.bus)
        facts, note = way.facts, way.note
        controller = raid_controller(self.tree, folder)
        if controller is not None:
            note = (
                "Served by a RAID controller: it may be a volume over several disks. It is judged as one; "
                "its own health tells nothing of theirs."
            )
        lies_on: tuple[str, ...] = ()
        if backing is not None:
            identity = self._loop_identity(backing)
            lies_on = self._drives_of_file(backing)
            facts = facts.model_copy(update={"upstream": self._shared_upstream(lies_on)})
            note = "A loop device: a virtual drive whose name is made here from the file it lies on."
        sectors = self.tree.number(folder / "size") or 0
        return Drive(
            facts=DriveFacts(
                ref=_ref(name),
                identity=identity,
                path=facts,
                capacity_bytes=sectors * SECTOR_BYTES,
                rotational=self._rotational(folder, facts.bus),
                removable=bool(self.tree.flag(folder / "removable")) or way.external,
                system_drive=name in self._system_drives(),
                trim=_discards(self.tree, folder),
                note=note,
            ),
            device="/dev/" + name.replace("!", "/"),
            smart_node=_smart_node(self.tree, name),
            usb_vendor_id=way.usb_vendor_id,
            backing_file=backing,
            lies_on=tuple(_ref(drive) for drive in lies_on),
            place=f"file:{_trace(backing)}" if backing else way.place,
            medium_number=self.tree.number(folder / "diskseq"),
            controller=controller,
        )

    def _rotational(self, folder: Path, bus: Bus) -> bool | None:
        turns = self.tree.flag(folder / "queue" / "rotational")
        # "Turns" is also the kernel's word where a bridge or a virtual disk does not say.
        return None if turns and bus in {Bus.USB, Bus.VIRTUAL, Bus.LOOP, Bus.UNKNOWN} else turns

    def _backing_file(self, name: str) -> str | None:
        text = self.tree.text(self.blocks.folder(name) / "loop" / "backing_file")
        return text.removesuffix(" (deleted)") if text else None

    def _loop_identity(self, backing: str) -> DriveIdentity:
        machine = (
            self.tree.text(self.tree.at("/etc/machine-id"))
            or self.tree.text(self.tree.at("/proc/sys/kernel/hostname"))
            or ""
        )
        return DriveIdentity(
            confidence=IdentityConfidence.OWN, serial=f"file-{_trace(machine + backing)}", model="loop device"
        )

    def _drives_of_file(self, path: str) -> tuple[str, ...]:
        mount = holding(self.mounts, path)
        block = self._block_of(mount) if mount is not None else None
        return self.blocks.beneath(block).drives if block is not None else ()

    def _shared_upstream(self, drives: tuple[str, ...]) -> str | None:
        ways = {way_to(self.tree, self.blocks.folder(name), name=name).facts.upstream for name in drives}
        return ways.pop() if len(ways) == 1 else None

    def _system_drives(self) -> frozenset[str]:
        if not hasattr(self, "_system"):
            blocks = [self._block_of(mount) for mount in self.mounts if mount.mount_point in _SYSTEM_MOUNTS]
            swaps = (self.tree.text(self.tree.at("/proc/swaps")) or "").splitlines()[1:]
            blocks += [self.blocks.by_device(line.split()[0]) for line in swaps if line.startswith("/dev/")]
            self._system = frozenset(
                drive for block in blocks if block for drive in self.blocks.beneath(block).drives
            )
        return self._system


def _mounts(tree: Tree) -> tuple[Mount, ...]:
    try:
        raw = tree.at("/proc/self/mountinfo").read_bytes()
    except OSError:
        return ()
    return parse_mountinfo(os.fsdecode(raw))


def _ref(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_.:-]", ".", name)[:64]


def _trace(text: str) -> str:
    return hashlib.sha256(text.encode(errors="surrogateescape")).hexdigest()[:16]


def _printable(text: str) -> str:
    return text.encode(errors="replace").decode()[:256]


def _smart_node(tree: Tree, name: str) -> str:
    # The controller, as smartctl's own scan gives it: some drives log an error when a namespace is asked.
    found = _NVME_DRIVE.fullmatch(name)
    if found is None:
        return "/dev/" + name.replace("!", "/")
    controller = (tree.at("/sys/block") / name / "device").resolve().name
    return f"/dev/{controller}" if re.fullmatch(r"nvme\d+", controller) else f"/dev/{name}"


def _discards(tree: Tree, folder: Path) -> bool | None:
    limit = tree.number(folder / "queue" / "discard_max_bytes")
    return None if limit is None else limit > 0


def _remarks(unsure: Counter[str]) -> tuple[str, ...]:
    remarks = []
    network = unsure.pop("network", 0)
    if network:
        remarks.append(f"{_volumes(network)} of other machines: out of scope, neither probed nor watched.")
    for why, count in sorted(unsure.items()):
        remarks.append(
            f"{_volumes(count)} on {why}: which drives hold it is not certain, so it is not probed."
        )
    return tuple(remarks)


def _controller_remarks(served: int) -> tuple[str, ...]:
    if not served:
        return ()
    drives = "1 drive is" if served == 1 else f"{served} drives are"
    return (f"{drives} served by a RAID controller, and which disks stand behind is not certain.",)


def _volumes(count: int) -> str:
    return "1 volume" if count == 1 else f"{count} volumes"
