"""Windows: unbuffered, write-through handles deleted on close, by documented calls of kernel32.

The calls are held by tests against a recording fake; they have not been run on Windows by those tests.
"""

import contextlib
import ctypes
import os
import secrets
import shutil
import time
from pathlib import Path
from typing import Any

from ebbmark_agent.platforms._port import (
    PROBE_FOLDER,
    DiskCounters,
    Extent,
    OpenWriter,
    Readable,
    VolumeSpace,
    Writable,
)
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

SYSTEM = "windows"

# Source: Windows SDK headers fileapi.h, winnt.h and winioctl.h, from memory; all are documented constants.
_GENERIC_READ = 0x80000000
_GENERIC_WRITE = 0x40000000
_DELETE = 0x00010000
_SHARE_ALL = 0x1 | 0x2 | 0x4
_CREATE_NEW = 1
_OPEN_EXISTING = 3
_HIDDEN = 0x2
_NOT_CONTENT_INDEXED = 0x2000
_DELETE_ON_CLOSE = 0x04000000
_NO_BUFFERING = 0x20000000
_WRITE_THROUGH = 0x80000000
_INVALID_HANDLE = ctypes.c_void_p(-1).value
_FILE_END_OF_FILE_INFO = 6
_FSCTL_FILE_LEVEL_TRIM = 0x00098208
_IOCTL_DISK_PERFORMANCE = 0x00070020
_TICKS_A_SECOND = 10_000_000  # [1/s] Windows counts time in units of 100 ns
_FILE_PREFIX = "probe-"


class _Overlapped(ctypes.Structure):
    """Carries the offset of a positioned read or write."""

    _fields_ = (
        ("Internal", ctypes.c_void_p),
        ("InternalHigh", ctypes.c_void_p),
        ("Offset", ctypes.c_uint32),
        ("OffsetHigh", ctypes.c_uint32),
        ("Event", ctypes.c_void_p),
    )


class _TrimRequest(ctypes.Structure):
    """FILE_LEVEL_TRIM with one range."""

    _fields_ = (
        ("Key", ctypes.c_uint32),
        ("NumRanges", ctypes.c_uint32),
        ("Offset", ctypes.c_uint64),
        ("Length", ctypes.c_uint64),
    )


class DiskPerformance(ctypes.Structure):
    """DISK_PERFORMANCE, what a disk driver counts."""

    _fields_ = (
        ("BytesRead", ctypes.c_int64),
        ("BytesWritten", ctypes.c_int64),
        ("ReadTime", ctypes.c_int64),
        ("WriteTime", ctypes.c_int64),
        ("IdleTime", ctypes.c_int64),
        ("ReadCount", ctypes.c_uint32),
        ("WriteCount", ctypes.c_uint32),
        ("QueueDepth", ctypes.c_uint32),
        ("SplitCount", ctypes.c_uint32),
        ("QueryTime", ctypes.c_int64),
        ("StorageDeviceNumber", ctypes.c_uint32),
        ("StorageManagerName", ctypes.c_uint16 * 8),
    )


class WindowsFile:
    """A probe file by its handle; the system deletes it when the handle goes, however the process ends."""

    def __init__(self, handle: int, *, unnamed: bool, kernel32: Any, folder: Path | None = None) -> None:
        """Take the open handle, the library it came from and a folder to remove with it."""
        self._folder = folder
        self._handle: int | None = handle
        self._unnamed = unnamed
        self._kernel32 = kernel32

    @property
    def unnamed(self) -> bool:
        """Tell whether the file is gone however the process ends."""
        return self._unnamed

    def preallocate(self, size_bytes: int) -> bool:
        """Set the file's length, which lays it out; a sequential writer never meets the unwritten part."""
        length = ctypes.c_int64(size_bytes)
        return bool(
            self._kernel32.SetFileInformationByHandle(
                self._handle, _FILE_END_OF_FILE_INFO, ctypes.byref(length), ctypes.sizeof(length)
            )
        )

    def write_at(self, data: Readable, offset_bytes: int) -> int:
        """Write `data` at an offset and give the bytes taken."""
        return self._transfer(self._kernel32.WriteFile, data, offset_bytes)

    def read_at(self, into: Writable, offset_bytes: int) -> int:
        """Read at an offset into a buffer and give the bytes had."""
        return self._transfer(self._kernel32.ReadFile, into, offset_bytes)

    def _transfer(self, call: Any, buffer: Readable, offset_bytes: int) -> int:
        view = memoryview(buffer)
        place = (ctypes.c_char * view.nbytes).from_buffer(view)
        moved = ctypes.c_uint32(0)
        position = _Overlapped(Offset=offset_bytes & 0xFFFFFFFF, OffsetHigh=offset_bytes >> 32)
        done = call(self._handle, place, view.nbytes, ctypes.byref(moved), ctypes.byref(position))
        # An error keeps this frame alive, and with it the buffer, which its owner could then not close.
        del place
        view.release()
        if not done:
            raise _last_error(self._kernel32)
        return moved.value

    def write_out(self, offset_bytes: int, length_bytes: int) -> None:
        """Wait until the file has gone to the disk; a part alone cannot be asked for here."""
        del offset_bytes, length_bytes
        self.sync()

    def sync(self) -> None:
        """Flush the drive's own cache too."""
        if not self._kernel32.FlushFileBuffers(self._handle):
            raise _last_error(self._kernel32)

    def extents(self) -> tuple[Extent, ...]:
        """Say that stretches are not needed here: the file is trimmed while open."""
        return ()

    def release(self, size_bytes: int) -> bool:
        """Trim the file's blocks on the disk while it is still open."""
        request = _TrimRequest(Key=0, NumRanges=1, Offset=0, Length=size_bytes)
        answered = ctypes.c_uint32(0)
        return bool(
            self._kernel32.DeviceIoControl(
                self._handle,
                _FSCTL_FILE_LEVEL_TRIM,
                ctypes.byref(request),
                ctypes.sizeof(request),
                None,
                0,
                ctypes.byref(answered),
                None,
            )
        )

    def close(self) -> None:
        """Close the handle; a second call does nothing."""
        handle, self._handle = self._handle, None
        if handle is not None:
            self._kernel32.CloseHandle(handle)
            if self._folder is not None:
                with contextlib.suppress(OSError):
                    self._folder.rmdir()


def create_probe_file(folder: Path, *, cached: bool = False, kernel32: Any = None) -> WindowsFile:
    """Create a probe file past the cache, hidden, kept out of the search index and deleted on close.

    Raises:
        OSError: The system refused.
    """
    place = folder / PROBE_FOLDER
    place.mkdir(exist_ok=True)
    past_cache = 0 if cached else _NO_BUFFERING | _WRITE_THROUGH
    return _open(
        kernel32 or _kernel32(),
        place / f"{_FILE_PREFIX}{secrets.token_hex(8)}",
        access=_GENERIC_READ | _GENERIC_WRITE | _DELETE,
        share=0,
        disposition=_CREATE_NEW,
        flags=past_cache | _DELETE_ON_CLOSE | _HIDDEN | _NOT_CONTENT_INDEXED,
        unnamed=True,
        folder=place,
    )


def open_unbuffered(path: Path, *, kernel32: Any = None) -> WindowsFile:
    """Open a file for reading past the cache, whoever else has it open.

    Raises:
        OSError: The system refused.
    """
    return _open(
        kernel32 or _kernel32(),
        path,
        access=_GENERIC_READ,
        share=_SHARE_ALL,
        disposition=_OPEN_EXISTING,
        flags=_NO_BUFFERING,
        unnamed=False,
    )


def _open(
    library: Any,
    path: Path,
    *,
    access: int,
    share: int,
    disposition: int,
    flags: int,
    unnamed: bool,
    folder: Path | None = None,
) -> WindowsFile:
    handle = library.CreateFileW(str(path), access, share, None, disposition, flags, None)
    if handle in {None, 0, -1, _INVALID_HANDLE}:
        raise _last_error(library)
    return WindowsFile(handle, unnamed=unnamed, kernel32=library, folder=folder)


def clear_leftovers(folder: Path) -> int:
    """Remove what a loss of power may have left in the probe folder and give the number of files."""
    place = folder / PROBE_FOLDER
    removed = 0
    if not place.is_dir() or place.is_symlink():
        return removed
    for entry in list(place.iterdir()):
        if entry.name.startswith(_FILE_PREFIX) and entry.is_file():
            entry.unlink(missing_ok=True)
            removed += 1
    if not any(place.iterdir()):
        place.rmdir()
    return removed


def space(path: Path) -> VolumeSpace:
    """Give the room on the volume that holds `path`."""
    usage = shutil.disk_usage(path)
    return VolumeSpace(total_bytes=usage.total, free_bytes=usage.free)


def settle_space(folder: Path) -> None:
    """Do nothing: deletion is counted at once here."""
    del folder


def disk_counters(disk: str, *, kernel32: Any = None) -> DiskCounters | None:
    r"""Ask a disk (`PhysicalDrive0`, ...) for its driver's counters; None where they are off or unknown."""
    library = kernel32 or _kernel32()
    handle = library.CreateFileW(f"\\\\.\\{disk}", 0, _SHARE_ALL, None, _OPEN_EXISTING, 0, None)
    if handle in {None, 0, -1, _INVALID_HANDLE}:
        return None
    answer = DiskPerformance()
    answered = ctypes.c_uint32(0)
    try:
        done = library.DeviceIoControl(
            handle,
            _IOCTL_DISK_PERFORMANCE,
            None,
            0,
            ctypes.byref(answer),
            ctypes.sizeof(answer),
            ctypes.byref(answered),
            None,
        )
    finally:
        library.CloseHandle(handle)
    if not done:
        return None
    return DiskCounters(
        at_s=time.monotonic(),
        read_bytes=answer.BytesRead,
        written_bytes=answer.BytesWritten,
        in_flight=answer.QueueDepth,
        write_requests=answer.WriteCount,
        busy_s=(answer.QueryTime - answer.IdleTime) / _TICKS_A_SECOND,
    )


def discard_extents(folder: Path, extents: tuple[Extent, ...]) -> int | None:
    """Say that stretches cannot be named here; `ProbeFile.release` has done what can be done."""
    del folder, extents
    return None


def medium_span(folder: Path, extents: tuple[Extent, ...]) -> tuple[float, float] | None:
    """Say that where a file lies is not told here."""
    del folder, extents
    return None


def open_writers(path: Path) -> tuple[OpenWriter, ...] | None:
    """Say that this system has no documented call that lists them."""
    del path
    return None


def _kernel32() -> Any:
    """Load the library, with the one result type that is not an int."""
    library = getattr(ctypes, "WinDLL")("kernel32", use_last_error=True)  # noqa: B009 - only there on Windows
    library.CreateFileW.restype = ctypes.c_void_p
    for name in ("WriteFile", "ReadFile", "FlushFileBuffers", "CloseHandle", "DeviceIoControl"):
        getattr(library, name).argtypes = None
    return library


# Source: winerror.h, from memory: the codes that tell a full, a protected and a vanished disk apart.
_ERRNO_OF = {
    5: "EACCES",  # ERROR_ACCESS_DENIED
    19: "EROFS",  # ERROR_WRITE_PROTECT
    21: "ENODEV",  # ERROR_NOT_READY
    23: "EIO",  # ERROR_CRC
    39: "ENOSPC",  # ERROR_HANDLE_DISK_FULL
    55: "ENODEV",  # ERROR_DEV_NOT_EXIST
    112: "ENOSPC",  # ERROR_DISK_FULL
    433: "ENODEV",  # ERROR_NO_SUCH_DEVICE
    1117: "EIO",  # ERROR_IO_DEVICE
    1167: "ENODEV",  # ERROR_DEVICE_NOT_CONNECTED
}


def _last_error(library: Any) -> OSError:
    """Turn the system's last error into the error number other systems use for the same thing."""
    import errno

    get = getattr(ctypes, "get_last_error", None) or library.GetLastError
    code = int(get())
    number = getattr(errno, _ERRNO_OF.get(code, "EIO"))
    return OSError(number, f"{os.strerror(number)} (Windows error {code})")
