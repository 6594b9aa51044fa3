"""Parses the mount table and sorts its entries by what they lie on."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

NETWORK_TYPES = frozenset(
    {
        "9p", "afs", "beegfs", "ceph", "cifs", "fuse.glusterfs", "fuse.sshfs", "glusterfs", "gpfs", "lustre",
        "ncpfs", "nfs", "nfs4", "smb3", "smbfs", "virtiofs",
    }
)  # fmt: skip
IMAGE_TYPES = frozenset({"cramfs", "erofs", "iso9660", "romfs", "squashfs", "udf"})
# Their files lie on block devices that the mount table does not name, or not all of them.
UNCERTAIN_TYPES = frozenset({"aufs", "fuse.mergerfs", "fuse.unionfs", "overlay", "unionfs", "zfs"})
_ESCAPE = re.compile(r"\\([0-7]{3})")


class Footing(StrEnum):
    """What a mounted file system stands on."""

    BLOCK = "block"
    NETWORK = "network"
    UNCERTAIN = "uncertain"
    IMAGE = "image"
    NONE = "none"


@dataclass(frozen=True, kw_only=True)
class Mount:
    """One line of `/proc/self/mountinfo`."""

    device_number: str
    root: str
    mount_point: str
    file_system: str
    source: str
    options: frozenset[str]

    @property
    def read_only(self) -> bool:
        """Tell whether nothing can be written, also where the kernel shut the file system after an error."""
        return bool(self.options & {"ro", "emergency_ro", "shutdown"})

    @property
    def footing(self) -> Footing:
        """Tell what the file system stands on."""
        kind = self.file_system
        if kind in NETWORK_TYPES:
            return Footing.NETWORK
        if kind in UNCERTAIN_TYPES:
            return Footing.UNCERTAIN
        if kind in IMAGE_TYPES:
            return Footing.IMAGE
        if kind in {"btrfs", "bcachefs"} or not self.device_number.startswith("0:"):
            return Footing.BLOCK
        return Footing.NONE


def parse_mountinfo(text: str) -> tuple[Mount, ...]:
    """Read a mount table.

    Args:
        text: the content of `/proc/self/mountinfo` (proc(5)).

    Returns:
        The mounts that can be seen: one that a later mount on the same place hides is left out. Lines that
        do not have the form are passed over.
    """
    visible: dict[str, Mount] = {}
    for line in text.splitlines():
        mount = _parse_line(line)
        if mount is not None:
            visible.pop(mount.mount_point, None)
            visible[mount.mount_point] = mount
    return tuple(visible.values())


def one_each(mounts: Iterable[Mount]) -> tuple[Mount, ...]:
    """Collapse bind mounts and subvolumes: one mount for each file system.

    Args:
        mounts: those that can be seen.

    Returns:
        For each file system the mount that shows its root, else the one with the shortest path.
    """
    best: dict[str, Mount] = {}
    for mount in mounts:
        held = best.get(file_system_key(mount))
        if held is None or _rank(mount) < _rank(held):
            best[file_system_key(mount)] = mount
    return tuple(best.values())


def file_system_key(mount: Mount) -> str:
    """Name the file system behind a mount; subvolumes of one btrfs have device numbers of their own."""
    return mount.source if mount.file_system in {"btrfs", "bcachefs", "zfs"} else mount.device_number


def holding(mounts: Iterable[Mount], path: str) -> Mount | None:
    """Find the mount a path lies on.

    Args:
        mounts: those that can be seen.
        path: absolute and without links.
    """
    inside = [m for m in mounts if path == m.mount_point or path.startswith(m.mount_point.rstrip("/") + "/")]
    return max(inside, key=lambda mount: len(mount.mount_point), default=None)


def _rank(mount: Mount) -> tuple[bool, int, str]:
    return mount.root != "/", len(mount.mount_point), mount.mount_point


def _parse_line(line: str) -> Mount | None:
    head, separator, tail = line.partition(" - ")
    before, after = head.split(), tail.split(" ")
    if not separator or len(before) < 6 or len(after) < 2:
        return None
    super_options = after[2].split(",") if len(after) > 2 else []
    return Mount(
        device_number=before[2],
        root=_unescape(before[3]),
        mount_point=_unescape(before[4]),
        file_system=after[0],
        source=_unescape(after[1]),
        options=frozenset((*before[5].split(","), *super_options)),
    )


def _unescape(text: str) -> str:
    return _ESCAPE.sub(lambda found: chr(int(found.group(1), 8)), text)
