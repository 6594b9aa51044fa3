"""Finds the drives and volumes of this machine: which volume lies on which drive, and by which path."""

from collections.abc import Callable
from pathlib import Path

from ebbmark_agent.drives import linux, macos, windows
from ebbmark_agent.drives.behind import wants_a_look, with_those_behind
from ebbmark_agent.drives.changes import Changes, changes
from ebbmark_agent.drives.duplicates import with_names
from ebbmark_agent.drives.inventory import Drive, Inventory, Volume, better_identity
from ebbmark_agent.errors import NotAVolumeError, PathMissingError
from ebbmark_agent.platforms import VolumeSpace, this_platform

__all__ = [
    "Changes",
    "Drive",
    "Inventory",
    "Volume",
    "better_identity",
    "changes",
    "scan",
    "temperature_c",
    "volume_of",
    "wants_a_look",
    "with_names",
    "with_those_behind",
]

Space = Callable[[str], VolumeSpace]

_HERE = Path("/")
_LINUX = "linux"


def scan(*, root: Path = _HERE, space: Space | None = None) -> Inventory:
    """Look at every drive and mounted volume of this machine, writing to none and waking none.

    Args:
        root: the folder that stands for `/`; tests hand in a tree of their own.
        space: gives the room on the volume mounted at a path, by default the system's answer.

    Raises:
        PlatformUnsupportedError: this system is not one the agent knows.
    """
    system = _LINUX if root != _HERE else this_platform().SYSTEM
    if system == macos.SYSTEM:
        return macos.scan(macos.run_command, space or _system_space)
    if system == windows.SYSTEM:
        return windows.scan(windows.Kernel32Calls(), space or _system_space)
    return linux.scan(linux.Tree(root=root), space or _system_space)


def volume_of(path: Path, *, root: Path = _HERE, space: Space | None = None) -> tuple[Volume, Inventory]:
    """Find the volume that holds a path.

    Args:
        path: a file or folder, as this machine names it.
        root: the folder that stands for `/`.
        space: gives the room on the volume mounted at a path.

    Returns:
        The volume and the inventory its drives are in. It may be another machine's, or on drives that are
        not certain: `Volume.probeable` tells.

    Raises:
        PathMissingError: there is no such path.
        NotAVolumeError: no mounted file system holds it.
    """
    real = path if root != _HERE else Path(path).resolve()
    if root == _HERE and not real.exists():
        raise PathMissingError(path=str(path))
    system = _LINUX if root != _HERE else this_platform().SYSTEM
    room = space or _system_space
    if system == macos.SYSTEM:
        found = macos.volume_of(macos.run_command, room, str(real))
    elif system == windows.SYSTEM:
        found = windows.volume_of(windows.Kernel32Calls(), room, str(real))
    else:
        found = linux.volume_of(linux.Tree(root=root), room, str(real))
    if found is None:
        raise NotAVolumeError(path=str(path), reason="no mounted file system holds it")
    return found


def temperature_c(drive: Drive, *, root: Path = _HERE) -> float | None:
    """Give a drive's temperature from the system's own sensors: quick enough to be asked during a probe.

    Args:
        drive: the drive.
        root: the folder that stands for `/`.

    Returns:
        The temperature [°C]; None where the system has no sensor for it, as everywhere but on Linux.
    """
    if root == _HERE and this_platform().SYSTEM != _LINUX:
        return None
    return linux.temperature_c(linux.Tree(root=root), drive.kernel_name.replace("/", "!"))


def _system_space(mount_point: str) -> VolumeSpace:
    return this_platform().space(Path(mount_point))
