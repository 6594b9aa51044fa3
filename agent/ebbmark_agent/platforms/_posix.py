"""What Linux and macOS do alike: files by descriptor, the probe folder, room, power."""

import contextlib
import os
import secrets
import shutil
import stat
from pathlib import Path

from ebbmark_agent.platforms._port import PROBE_FOLDER, Extent, Readable, VolumeSpace, Writable

_FILE_PREFIX = "probe-"
# A user-space file system renames an open file on unlink, within its folder, instead of removing it.
_HIDDEN_PREFIX = ".fuse_hidden"
_TAG_NAME = "CACHEDIR.TAG"
# Source: Cache Directory Tagging Specification 0.6; backup programs pass over a folder that holds it.
_TAG = b"Signature: 8a477f597d28d172789f06886806bc55\n"


class DescriptorFile:
    """A probe file by its descriptor; closing it frees its blocks when it has no name."""

    def __init__(self, descriptor: int, *, unnamed: bool) -> None:
        """Take the open descriptor; it is this object's from now on."""
        self._descriptor = descriptor
        self._unnamed = unnamed

    @property
    def unnamed(self) -> bool:
        """Tell whether the file has no name."""
        return self._unnamed

    def fileno(self) -> int:
        """Give the descriptor."""
        return self._descriptor

    def preallocate(self, size_bytes: int) -> bool:
        """Say that this system cannot lay a file out."""
        del size_bytes
        return False

    def write_at(self, data: Readable, offset_bytes: int) -> int:
        """Write `data` at an offset and give the bytes taken."""
        return os.pwrite(self._descriptor, data, offset_bytes)

    def read_at(self, into: Writable, offset_bytes: int) -> int:
        """Read at an offset into a buffer and give the bytes had."""
        return os.preadv(self._descriptor, [into], offset_bytes)

    def write_out(self, offset_bytes: int, length_bytes: int) -> None:
        """Wait until the file has gone to the disk; a part alone cannot be asked for here."""
        del offset_bytes, length_bytes
        os.fsync(self._descriptor)

    def sync(self) -> None:
        """Wait until the data is on the medium."""
        os.fsync(self._descriptor)

    def extents(self) -> tuple[Extent, ...]:
        """Say that this system does not tell where a file lies."""
        return ()

    def release(self, size_bytes: int) -> bool:
        """Say that this system frees a file's place on closing it."""
        del size_bytes
        return False

    def close(self) -> None:
        """Close the descriptor; a second call does nothing."""
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)


def probe_folder(folder: Path) -> Path:
    """Make the folder in which a probe file may have a name for a moment, marked to be left out of backups.

    Raises:
        FileExistsError: Something that is no folder of this user bears its name.
        OSError: It cannot be made.
    """
    place = folder / PROBE_FOLDER
    with contextlib.suppress(FileExistsError):
        place.mkdir(mode=0o700)
    if not _is_ours(place):
        raise FileExistsError(f"{place} is not a folder of this user; remove it or probe elsewhere")
    tag = place / _TAG_NAME
    if not tag.exists():
        tag.write_bytes(_TAG)
    return place


def create_then_unlink(folder: Path, flags: int) -> int:
    """Create a file in the probe folder, take its name away at once and give its descriptor.

    A kill between the two calls leaves an empty file, which the next start removes.

    Raises:
        OSError: The file cannot be made.
    """
    place = probe_folder(folder)
    path = place / f"{_FILE_PREFIX}{secrets.token_hex(8)}"
    try:
        descriptor = os.open(path, flags | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    except OSError:
        # Some file systems create the file before they refuse unbuffered access to it.
        path.unlink(missing_ok=True)
        remove_folder_if_empty(place)
        raise
    path.unlink()
    remove_folder_if_empty(place)
    return descriptor


def remove_folder_if_empty(place: Path) -> None:
    """Remove the probe folder when nothing but its own tag is in it."""
    with contextlib.suppress(OSError):
        if {entry.name for entry in place.iterdir()} <= {_TAG_NAME}:
            (place / _TAG_NAME).unlink(missing_ok=True)
            place.rmdir()


def clear_leftovers(folder: Path) -> int:
    """Remove what a killed probe left in the probe folder, and the folder.

    Only a folder of this user is entered, no link is followed, and only names this module gives are removed.

    Returns:
        The number of files removed [1].
    """
    place = folder / PROBE_FOLDER
    if not _is_ours(place):
        return 0
    removed = 0
    for entry in list(place.iterdir()):
        if entry.name.startswith((_FILE_PREFIX, _HIDDEN_PREFIX)) and not entry.is_dir():
            entry.unlink(missing_ok=True)
            removed += 1
    remove_folder_if_empty(place)
    return removed


def space(path: Path) -> VolumeSpace:
    """Give the room on the volume that holds `path`."""
    usage = shutil.disk_usage(path)
    return VolumeSpace(total_bytes=usage.total, free_bytes=usage.free)


def _is_ours(place: Path) -> bool:
    try:
        found = place.lstat()
    except FileNotFoundError:
        return False
    # A file system without owners (exFAT) shows every file as the mounting user's.
    return stat.S_ISDIR(found.st_mode) and found.st_uid in {os.geteuid(), 0}
