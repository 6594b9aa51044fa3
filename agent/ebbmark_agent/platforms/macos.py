"""macOS: files past the cache by F_NOCACHE, flushed to the medium by F_FULLFSYNC, without a name once open.

The calls are held by tests against a recording fake; they have not been run on a Mac by those tests.
"""

import contextlib
import errno
import os
import struct
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil

from ebbmark_agent.errors import UnbufferedIoUnsupportedError
from ebbmark_agent.platforms import _posix
from ebbmark_agent.platforms._port import DiskCounters, Extent, OpenWriter, VolumeSpace
from ebbmark_agent.platforms._power import on_mains

__all__ = [
    "SYSTEM",
    "clear_leftovers",
    "create_probe_file",
    "discard_extents",
    "disk_counters",
    "medium_span",
    "on_mains",
    "open_unbuffered",
    "open_writers",
    "settle_space",
    "space",
]

SYSTEM = "macos"

# Source: Darwin's sys/fcntl.h, from memory; fcntl(2) documents what each does.
_F_PREALLOCATE = 42
_F_NOCACHE = 48
_F_FULLFSYNC = 51
_F_PUNCHHOLE = 99
_ALLOCATE_ALL = 0x4
_FROM_END_OF_FILE = 3  # F_PEOFPOSMODE
_STORE = struct.Struct("=IiqqQ")  # fstore_t: flags, position mode, offset, length, bytes allocated
_HOLE = struct.Struct("=IIqq")  # fpunchhole_t: flags, reserved, offset, length
_LSOF_TIMEOUT_S = 10.0

Fcntl = Callable[..., Any]


class MacFile(_posix.DescriptorFile):
    """A probe file on macOS; it loses its name once open, which also keeps backup and indexing off it."""

    def __init__(self, descriptor: int, *, unnamed: bool, control: Fcntl) -> None:
        """Take the open descriptor and the system call fcntl."""
        super().__init__(descriptor, unnamed=unnamed)
        self._control = control

    def preallocate(self, size_bytes: int) -> bool:
        """Lay out `size_bytes` by F_PREALLOCATE and set the file's length."""
        request = _STORE.pack(_ALLOCATE_ALL, _FROM_END_OF_FILE, 0, size_bytes, 0)
        try:
            self._control(self.fileno(), _F_PREALLOCATE, request)
        except OSError as error:
            if error.errno in {errno.ENOTSUP, errno.EOPNOTSUPP, errno.EINVAL}:
                return False
            raise
        os.ftruncate(self.fileno(), size_bytes)
        return True

    def sync(self) -> None:
        """Flush to the medium; plain fsync leaves data in the drive's own cache there."""
        self._control(self.fileno(), _F_FULLFSYNC)

    def release(self, size_bytes: int) -> bool:
        """Punch the file's blocks out, which APFS passes on to the disk."""
        try:
            self._control(self.fileno(), _F_PUNCHHOLE, _HOLE.pack(0, 0, 0, size_bytes))
        except OSError:
            return False
        return True


def create_probe_file(folder: Path, *, cached: bool = False, control: Fcntl | None = None) -> MacFile:
    """Create a probe file, take its name away and turn caching off.

    Raises:
        UnbufferedIoUnsupportedError: The file system does not take F_NOCACHE.
        OSError: The system refused for another reason.
    """
    descriptor = _posix.create_then_unlink(folder, os.O_RDWR)
    if cached:
        return MacFile(descriptor, unnamed=True, control=control or _fcntl())
    return _uncached(descriptor, folder, unnamed=True, control=control)


def open_unbuffered(path: Path, *, control: Fcntl | None = None) -> MacFile:
    """Open a file for reading past the cache.

    Raises:
        UnbufferedIoUnsupportedError: The file system does not take F_NOCACHE.
        OSError: The system refused for another reason.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    return _uncached(descriptor, path, unnamed=False, control=control)


def _uncached(descriptor: int, path: Path, *, unnamed: bool, control: Fcntl | None) -> MacFile:
    control = control or _fcntl()
    try:
        control(descriptor, _F_NOCACHE, 1)
    except OSError as error:
        os.close(descriptor)
        raise UnbufferedIoUnsupportedError(path=str(path), file_system="this file system") from error
    return MacFile(descriptor, unnamed=unnamed, control=control)


def _fcntl() -> Fcntl:
    """Give the system call, which this module must not need at import time."""
    import fcntl

    return fcntl.fcntl


def clear_leftovers(folder: Path) -> int:
    """Remove what a killed probe left and give the number of files."""
    return _posix.clear_leftovers(folder)


def space(path: Path) -> VolumeSpace:
    """Give the room on the volume that holds `path`."""
    return _posix.space(path)


def settle_space(folder: Path) -> None:
    """Let all file systems carry out pending work; this system has no call for a single one."""
    del folder
    os.sync()


def disk_counters(disk: str) -> DiskCounters | None:
    """Read a whole disk's counters (`disk0`, ...) from the I/O registry."""
    with contextlib.suppress(OSError, RuntimeError):
        found = psutil.disk_io_counters(perdisk=True, nowrap=False).get(disk)
        if found is not None:
            return DiskCounters(
                at_s=time.monotonic(),
                read_bytes=found.read_bytes,
                written_bytes=found.write_bytes,
                write_requests=found.write_count,
            )
    return None


def discard_extents(folder: Path, extents: tuple[Extent, ...]) -> int | None:
    """Say that stretches cannot be named here; `ProbeFile.release` has done what can be done."""
    del folder, extents
    return None


def medium_span(folder: Path, extents: tuple[Extent, ...]) -> tuple[float, float] | None:
    """Say that where a file lies is not told here."""
    del folder, extents
    return None


def open_writers(path: Path) -> tuple[OpenWriter, ...] | None:
    """Name the processes with writable files on the volume, by the system's own lsof."""
    mount = path.resolve()
    while not mount.is_mount():
        mount = mount.parent
    argv = ["/usr/sbin/lsof", "-n", "-P", "-w", "-F", "pcat", "+f", "--", str(mount)]
    try:
        answer = subprocess.run(argv, capture_output=True, check=False, timeout=_LSOF_TIMEOUT_S)
    except (OSError, subprocess.TimeoutExpired):
        return None
    return parse_lsof(answer.stdout.decode(errors="replace"), own_pid=os.getpid())


def parse_lsof(text: str, *, own_pid: int) -> tuple[OpenWriter, ...]:
    """Read lsof's field output: `p` begins a process, `c` names it, `a` is the access mode, `t` the type."""
    writers: dict[int, OpenWriter] = {}
    pid, program, access = -1, "", ""
    for line in text.splitlines():
        field, value = line[:1], line[1:]
        if field == "p":
            pid, program = int(value), ""
        elif field == "c":
            program = value
        elif field == "a":
            access = value.strip()
        elif field == "t" and value == "REG" and access in {"w", "u"} and pid != own_pid:
            writers[pid] = OpenWriter(pid=pid, program=program)
    return tuple(writers.values())
