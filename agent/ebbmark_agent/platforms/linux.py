"""Linux: O_DIRECT files without a name, laid out by fallocate; counters from sysfs, discard by FITRIM."""

import contextlib
import ctypes
import errno
import os
import struct
import time
from pathlib import Path

from ebbmark_agent.errors import UnbufferedIoUnsupportedError
from ebbmark_agent.platforms import _posix
from ebbmark_agent.platforms._linux_open_files import open_writers
from ebbmark_agent.platforms._port import DiskCounters, Extent, VolumeSpace
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

SYSTEM = "linux"

# Source: include/uapi/linux/fs.h and fiemap.h; 64-bit and 32-bit agree on these.
_FITRIM = 0xC0185879  # _IOWR('X', 121, struct fstrim_range)
_FIEMAP = 0xC020660B  # _IOWR('f', 11, struct fiemap)
_FIEMAP_SYNC = 1
_EXTENT_LAST = 0x1
_EXTENT_UNUSABLE = 0x2 | 0x4 | 0x200  # place unknown, delayed, or data inside metadata
_MAP_HEADER = struct.Struct("=QQLLLL")
_MAP_EXTENT = struct.Struct("=QQQQQLLLL")
_EXTENTS_A_CALL = 512
_TRIM_RANGE = struct.Struct("=QQQ")
_SECTOR_BYTES = 512  # [bytes] the unit of /sys/block/*/stat, whatever the disk's own sectors are
_NO_UNNAMED = {errno.EOPNOTSUPP, errno.EISDIR, errno.ENOENT, errno.EINVAL}
_SYSFS_BLOCK = Path("/sys/block")


class LinuxFile(_posix.DescriptorFile):
    """A probe file on Linux."""

    def preallocate(self, size_bytes: int) -> bool:
        """Lay out `size_bytes` by fallocate(2).

        The C library's posix_fallocate is not used: where the file system cannot, it writes the file instead.
        """
        libc = ctypes.CDLL(None, use_errno=True)
        call = getattr(libc, "fallocate64", None) or libc.fallocate
        call.argtypes = [ctypes.c_int, ctypes.c_int, ctypes.c_int64, ctypes.c_int64]
        while call(self.fileno(), 0, 0, size_bytes) != 0:
            number = ctypes.get_errno()
            if number == errno.EINTR:
                continue
            if number in {errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}:
                return False
            raise OSError(number, os.strerror(number))
        return True

    def write_out(self, offset_bytes: int, length_bytes: int) -> None:
        """Write a stretch out by sync_file_range(2), which leaves the drive's own cache alone.

        Source: include/uapi/linux/fs.h: 1 waits before, 2 writes, 4 waits after.
        """
        call = ctypes.CDLL(None, use_errno=True).sync_file_range
        call.argtypes = [ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint]
        if call(self.fileno(), offset_bytes, length_bytes, 1 | 2 | 4) != 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))

    def sync(self) -> None:
        """Flush by fdatasync, which also reports an error of an earlier write."""
        os.fdatasync(self.fileno())

    def extents(self) -> tuple[Extent, ...]:
        """Give where the file lies, by FIEMAP; empty where the file system does not say."""
        import fcntl

        found: list[Extent] = []
        start = 0
        while True:
            request = bytearray(_MAP_HEADER.size + _EXTENTS_A_CALL * _MAP_EXTENT.size)
            _MAP_HEADER.pack_into(request, 0, start, 2**64 - 1 - start, _FIEMAP_SYNC, 0, _EXTENTS_A_CALL, 0)
            try:
                fcntl.ioctl(self.fileno(), _FIEMAP, request)
            except OSError:
                return ()
            mapped = _MAP_HEADER.unpack_from(request)[3]
            flags = _EXTENT_LAST
            for index in range(mapped):
                at = _MAP_HEADER.size + index * _MAP_EXTENT.size
                logical, physical, length, _, _, flags, *_ = _MAP_EXTENT.unpack_from(request, at)
                start = logical + length
                if not flags & _EXTENT_UNUSABLE:
                    found.append(Extent(at_bytes=physical, length_bytes=length))
            if mapped == 0 or flags & _EXTENT_LAST:
                return tuple(found)


def create_probe_file(folder: Path, *, cached: bool = False) -> LinuxFile:
    """Create a probe file without a name; by way of the probe folder where O_TMPFILE is not known.

    Raises:
        UnbufferedIoUnsupportedError: The file system has no O_DIRECT.
        OSError: The system refused for another reason.
    """
    flags = os.O_RDWR if cached else os.O_RDWR | os.O_DIRECT
    try:
        descriptor = os.open(folder, flags | os.O_TMPFILE | os.O_EXCL | os.O_CLOEXEC, 0o600)
        return LinuxFile(descriptor, unnamed=True)
    except OSError as error:
        if error.errno not in _NO_UNNAMED or not folder.is_dir():
            raise
    try:
        return LinuxFile(_posix.create_then_unlink(folder, flags), unnamed=False)
    except OSError as error:
        if error.errno == errno.EINVAL:
            raise UnbufferedIoUnsupportedError(path=str(folder), file_system=_file_system(folder)) from error
        raise


def open_unbuffered(path: Path) -> LinuxFile:
    """Open a file for reading by O_DIRECT, without touching its access time where that is allowed.

    Raises:
        UnbufferedIoUnsupportedError: The file system has no O_DIRECT.
        OSError: The system refused for another reason.
    """
    flags = os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC | os.O_NOFOLLOW
    try:
        try:
            return LinuxFile(os.open(path, flags | os.O_NOATIME), unnamed=False)
        except PermissionError:
            return LinuxFile(os.open(path, flags), unnamed=False)
    except OSError as error:
        if error.errno == errno.EINVAL:
            raise UnbufferedIoUnsupportedError(path=str(path), file_system=_file_system(path)) from error
        raise


def clear_leftovers(folder: Path) -> int:
    """Remove what a killed probe left and give the number of files."""
    return _posix.clear_leftovers(folder)


def space(path: Path) -> VolumeSpace:
    """Give the room on the volume that holds `path`."""
    return _posix.space(path)


def settle_space(folder: Path) -> None:
    """Commit the volume's pending work by syncfs, after which freed blocks are counted as free."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            ctypes.CDLL(None, use_errno=True).syncfs(descriptor)
        finally:
            os.close(descriptor)


def disk_counters(disk: str) -> DiskCounters | None:
    """Read `/sys/block/DISK/stat`.

    Source: Documentation/block/stat.rst of the kernel: sectors are of 512 bytes, times are milliseconds.
    """
    try:
        text = (_SYSFS_BLOCK / disk.replace("/", "!") / "stat").read_bytes()
    except OSError:
        return None
    return parse_stat(text, at_s=time.monotonic())


def parse_stat(text: bytes, *, at_s: float) -> DiskCounters | None:
    """Read one line of block device counters; kernels before 4.18 count no discards."""
    fields = text.split()
    if len(fields) < 11:
        return None
    return DiskCounters(
        at_s=at_s,
        read_bytes=int(fields[2]) * _SECTOR_BYTES,
        written_bytes=int(fields[6]) * _SECTOR_BYTES,
        in_flight=int(fields[8]),
        busy_s=int(fields[9]) / 1000,
        write_requests=int(fields[4]),
        discarded_bytes=int(fields[13]) * _SECTOR_BYTES if len(fields) > 13 else None,
    )


def discard_extents(folder: Path, extents: tuple[Extent, ...]) -> int | None:
    """Discard the free blocks within stretches by FITRIM, so that no other part of the volume is touched.

    Returns:
        Bytes for which the file system sent discards [bytes]; None where it or its disk cannot, or there is
        nothing to name.
    """
    if not extents:
        return None
    import fcntl

    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError:
        return None
    asked = 0
    try:
        for extent in extents:
            request = bytearray(_TRIM_RANGE.pack(extent.at_bytes, extent.length_bytes, 0))
            fcntl.ioctl(descriptor, _FITRIM, request)
            asked += _TRIM_RANGE.unpack(request)[1]
    except OSError:
        return asked or None
    finally:
        os.close(descriptor)
    return asked


def medium_span(folder: Path, extents: tuple[Extent, ...]) -> tuple[float, float] | None:
    """Give where stretches lie on the whole disk, by the partition's own start; None for stacked devices."""
    if not extents:
        return None
    number = folder.stat().st_dev
    place = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")
    try:
        start = int((place / "start").read_text()) * _SECTOR_BYTES if (place / "partition").exists() else 0
        disk = place.resolve().parent if (place / "partition").exists() else place
        if any((disk / "slaves").iterdir()):
            return None
        size = int((disk / "size").read_text()) * _SECTOR_BYTES
    except OSError:
        return None
    first = min(extent.at_bytes for extent in extents) + start
    last = max(extent.at_bytes + extent.length_bytes for extent in extents) + start
    return (first / size, last / size) if 0 < last <= size else None


def _file_system(path: Path) -> str:
    """Name the file system that holds a path, by the longest mount point above it."""
    best, name = "", "this file system"
    real = str(path.resolve())
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace").splitlines():
            _, mount, kind, *_ = line.split(" ")
            mount = mount.replace("\\040", " ")
            inside = real == mount or real.startswith(mount.rstrip("/") + "/")
            if inside and len(mount) >= len(best):
                best, name = mount, kind
    return name
