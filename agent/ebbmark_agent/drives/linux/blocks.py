"""Follows a block device down to the whole drives that hold it, where that is certain."""

import re
from dataclasses import dataclass, replace
from pathlib import Path

from ebbmark_agent.drives.linux.tree import Tree

SECTOR_BYTES = 512  # [bytes] the unit of /sys/block/*/size, whatever the drive's own sector is
_NOT_A_DRIVE = re.compile(r"(ram|zram|sr|fd|mtdblock|bcache|zd)\d+|mmcblk\d+(boot\d+|rpmb)")
_OVER_NETWORK = re.compile(r"(nbd|rbd|drbd)\d+")


@dataclass(frozen=True, kw_only=True)
class Lie:
    """On which whole drives a block device lies.

    Attributes:
        drives: Kernel names of the whole drives.
        certain: Whether its bytes are known to lie on just these.
        encrypted: Whether a layer in between encrypts.
        why: What makes it uncertain, as the object of "lies on".
        network: Whether another machine holds the bytes.
        copies: How many bytes reach the drives for each byte written [1].
    """

    drives: tuple[str, ...] = ()
    certain: bool = True
    encrypted: bool = False
    why: str | None = None
    network: bool = False
    copies: float = 1.0


class Blocks:
    """The block devices of a tree, listed once; a later look takes a new object."""

    def __init__(self, *, tree: Tree) -> None:
        """Take where the kernel's files are, and list what is there."""
        self.tree = tree
        self._root = tree.at("/sys/block")
        self._whole = tree.names(self._root)
        self._disk_of: dict[str, str] = {}
        self._by_number: dict[str, str] = {}
        for disk in self._whole:
            self._note(disk, self._root / disk)
            for part in tree.names(self._root / disk):
                if part.startswith(disk) and (self._root / disk / part / "partition").exists():
                    self._disk_of[part] = disk
                    self._note(part, self._root / disk / part)

    def _note(self, name: str, folder: Path) -> None:
        number = self.tree.text(folder / "dev")
        if number:
            self._by_number.setdefault(number, name)

    def whole(self) -> tuple[str, ...]:
        """Give the kernel names of all whole block devices."""
        return self._whole

    def folder(self, name: str) -> Path:
        """Give a block device's folder, a partition's too."""
        disk = self._disk_of.get(name)
        return self._root / disk / name if disk else self._root / name

    def partition_of(self, name: str) -> str | None:
        """Give the whole device a partition belongs to, None if it is none."""
        return self._disk_of.get(name)

    def by_number(self, number: str) -> str | None:
        """Find a block device by its `major:minor`."""
        return self._by_number.get(number)

    def by_device(self, device: str) -> str | None:
        """Find a block device by its device file, also by a link such as `/dev/mapper/…`."""
        name = device.removeprefix("/dev/").replace("/", "!")
        if self.folder(name).exists():
            return name
        try:
            linked = self.tree.at(device).resolve(strict=True).name
        except OSError:
            linked = ""
        if linked and self.folder(linked).exists():
            return linked
        mapped = device.removeprefix("/dev/mapper/")
        for disk in self.whole():
            if disk.startswith("dm-") and self.tree.text(self.folder(disk) / "dm" / "name") == mapped:
                return disk
        return None

    def is_drive(self, name: str) -> bool:
        """Tell whether a whole block device is a drive with a medium in it."""
        if _NOT_A_DRIVE.fullmatch(name) or _OVER_NETWORK.fullmatch(name) or name.startswith(("dm-", "md")):
            return False
        folder = self.folder(name)
        if self.tree.flag(folder / "hidden"):
            return False
        return bool(self.tree.number(folder / "size")) and not self._reached_over_network(name)

    def beneath(self, name: str, *, depth: int = 0) -> Lie:
        """Follow a block device down.

        Args:
            name: its kernel name.
            depth: how many layers were passed; a ring is broken at sixteen.

        Returns:
            The drives it lies on, and how sure that is.
        """
        if depth > 16:
            return Lie(certain=False, why="layers that form a ring")
        disk = self.partition_of(name)
        if disk is not None:
            return self.beneath(disk, depth=depth + 1)
        if name.startswith("dm-"):
            return self._mapped(name, depth)
        if name.startswith("md"):
            return self._array(name, depth)
        if _OVER_NETWORK.fullmatch(name) or self._reached_over_network(name):
            return Lie(certain=False, why="another machine", network=True)
        if self._slaves(name):  # a cache in front of a slower drive, for one
            below = self._join(self._slaves(name), depth)
            return Lie(
                drives=below.drives, certain=False, encrypted=below.encrypted, why="a cache over drives"
            )
        if not self.is_drive(name):
            return Lie(certain=False, why="something that is no drive")
        return Lie(drives=(name,))

    def _mapped(self, name: str, depth: int) -> Lie:
        kind = (self.tree.text(self.folder(name) / "dm" / "uuid") or "").partition("-")[0]
        below = self._join(self._slaves(name), depth)
        if kind == "CRYPT":
            return replace(below, encrypted=True)
        if kind == "LVM":
            return Lie(drives=below.drives, certain=False, encrypted=below.encrypted, why="an LVM volume")
        if kind == "mpath":
            return Lie(drives=below.drives, certain=False, why="a drive reached by several paths")
        if len(self._slaves(name)) == 1:
            return below
        return Lie(
            drives=below.drives, certain=False, encrypted=below.encrypted, why="a device-mapper construction"
        )

    def _array(self, name: str, depth: int) -> Lie:
        below = self._join(self._slaves(name), depth)
        copies = self._array_copies(name)
        if copies is None:
            return replace(below, certain=False, why="a RAID set whose layout is not shown")
        return replace(below, copies=below.copies * copies)

    def _array_copies(self, name: str) -> float | None:
        """Give how many bytes a RAID set writes to its members for each of its own; None where not shown.

        Parity counts for whole stripes, as long blocks in order are written; what reading for a part of one
        adds stays foreign, so that a probe gives way to it rather than hide somebody else's.
        Source: md(4) of the mdadm distribution: levels, and `layout` of RAID10 as near + 256 x far copies.
        """
        folder = self.folder(name) / "md"
        level, disks = self.tree.text(folder / "level"), self.tree.number(folder / "raid_disks")
        missing = self.tree.number(folder / "degraded") or 0
        if level in {"raid0", "linear"}:
            return 1.0
        if disks is None or disks - missing < 1:
            return None
        if level == "raid1":
            return float(disks - missing)
        parity = {"raid4": 1, "raid5": 1, "raid6": 2}.get(level or "")
        if parity is not None and disks > parity:
            return (disks - missing) / (disks - parity)
        layout = self.tree.number(folder / "layout")
        if level == "raid10" and layout is not None and missing == 0:
            return float((layout & 0xFF) * (layout >> 8 & 0xFF)) or None
        return None

    def _join(self, names: tuple[str, ...], depth: int) -> Lie:
        parts = [self.beneath(name, depth=depth + 1) for name in names]
        if not parts:
            return Lie(certain=False, why="a layer whose drives are not shown")
        alike = len({part.copies for part in parts}) == 1
        mixed = None if alike else "RAID sets of different kinds"
        return Lie(
            drives=tuple(dict.fromkeys(drive for part in parts for drive in part.drives)),
            certain=alike and all(part.certain for part in parts),
            encrypted=any(part.encrypted for part in parts),
            why=next((part.why for part in parts if part.why), mixed),
            network=any(part.network for part in parts),
            copies=parts[0].copies,
        )

    def _slaves(self, name: str) -> tuple[str, ...]:
        return self.tree.names(self.folder(name) / "slaves")

    def _reached_over_network(self, name: str) -> bool:
        path = self.tree.real(self.folder(name))
        if any(re.fullmatch(r"session\d+", part) for part in path.parts):
            return True  # iSCSI
        transport = self.tree.text(self.folder(name) / "device" / "transport")
        return transport in {"tcp", "rdma", "fc"}
