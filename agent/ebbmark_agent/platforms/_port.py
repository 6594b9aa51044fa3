"""What the agent needs of an operating system: the Protocol each platform module fulfils.

Rules of the port:

1. A write through a `ProbeFile` goes past the page cache or the file is not opened at all.
2. A probe file has no name wherever the system can do that; elsewhere it lies in `PROBE_FOLDER` alone.
3. What cannot be told is None, never zero.
4. Nothing here decides anything: rules about when to write live in consent and probe.
"""

from dataclasses import dataclass
from mmap import mmap
from pathlib import Path
from typing import Protocol

PROBE_FOLDER = ".ebbmark-probe"  # the one place on a volume where a probe file may have a name
Readable = bytes | bytearray | memoryview | mmap
Writable = bytearray | memoryview | mmap

ALIGNMENT_BYTES = 4096  # [bytes] every unbuffered offset, length and address is a multiple of this


@dataclass(frozen=True, kw_only=True)
class DiskCounters:
    """A whole disk's own counters, read at one moment.

    Attributes:
        at_s: Monotonic time of the reading [s].
        read_bytes: Bytes read since the system started [bytes].
        written_bytes: Bytes written since the system started [bytes].
        discarded_bytes: Bytes the disk was told are free, or None where not counted [bytes].
        in_flight: Requests under way, or None where not counted [1].
        busy_s: Time with at least one request under way, or None where not counted [s].
        write_requests: Write requests completed since the system started, or None where not counted [1].
    """

    at_s: float
    read_bytes: int
    written_bytes: int
    discarded_bytes: int | None = None
    in_flight: int | None = None
    busy_s: float | None = None
    write_requests: int | None = None


@dataclass(frozen=True, kw_only=True)
class VolumeSpace:
    """Room on a volume [bytes]; `free_bytes` is what the agent's own user may still write."""

    total_bytes: int
    free_bytes: int

    @property
    def used_share(self) -> float:
        """Give the used share of the volume [1]."""
        return 1.0 - self.free_bytes / self.total_bytes if self.total_bytes else 1.0


@dataclass(frozen=True, kw_only=True)
class Extent:
    """A stretch of a file as it lies on its volume [bytes]."""

    at_bytes: int
    length_bytes: int


@dataclass(frozen=True, kw_only=True)
class OpenWriter:
    """A process that holds a file on a volume open for writing."""

    pid: int
    program: str


class ProbeFile(Protocol):
    """A file whose every write and read goes past the page cache."""

    @property
    def unnamed(self) -> bool:
        """Tell whether the file has no name, so that it is gone however the process ends."""

    def preallocate(self, size_bytes: int) -> bool:
        """Lay out `size_bytes` without writing them; False where the file system cannot."""

    def write_at(self, data: Readable, offset_bytes: int) -> int:
        """Write `data` at an offset and give the bytes taken, which may be fewer than offered."""

    def read_at(self, into: Writable, offset_bytes: int) -> int:
        """Read at an offset into a buffer and give the bytes had."""

    def write_out(self, offset_bytes: int, length_bytes: int) -> None:
        """Wait until a stretch of a cached file has gone to the disk, if perhaps not past its own cache."""

    def sync(self) -> None:
        """Wait until all written data is on the medium as far as the system can know."""

    def extents(self) -> tuple[Extent, ...]:
        """Give where the file lies on its volume; empty where the system does not say."""

    def release(self, size_bytes: int) -> bool:
        """Tell the disk that the still open file's first `size_bytes` are free; False where not done here.

        Where a deleted file's place is discarded afterwards, by `discard_extents`, the answer is False.
        """

    def close(self) -> None:
        """Close the file, which also removes it."""


class Platform(Protocol):
    """One operating system's ways; fulfilled by a plain module."""

    SYSTEM: str

    def create_probe_file(self, folder: Path, *, cached: bool = False) -> ProbeFile:
        """Create an empty probe file on the volume that holds `folder`.

        Args:
            folder: Where.
            cached: Go through the page cache after all, as a copy by a person does.

        Raises:
            UnbufferedIoUnsupportedError: The file system has no unbuffered writes.
            OSError: The system refused for another reason.
        """

    def open_unbuffered(self, path: Path) -> ProbeFile:
        """Open an existing file for reading past the page cache; closing it leaves it where it is."""

    def clear_leftovers(self, folder: Path) -> int:
        """Remove what a killed probe may have left on the volume and give the number of files removed."""

    def space(self, path: Path) -> VolumeSpace:
        """Give the room on the volume that holds `path`."""

    def settle_space(self, folder: Path) -> None:
        """Ask the file system to carry out pending frees, so that `space` tells the truth."""

    def disk_counters(self, disk: str) -> DiskCounters | None:
        """Read a whole disk's counters by its kernel name; None where there are none."""

    def discard_extents(self, folder: Path, extents: tuple[Extent, ...]) -> int | None:
        """Tell the disk that free stretches are free; bytes the system asked for, None where it cannot."""

    def on_mains(self) -> bool | None:
        """Tell whether the machine runs on mains power; None where it does not say."""

    def open_writers(self, path: Path) -> tuple[OpenWriter, ...] | None:
        """Name the other processes that hold files on the volume open for writing; None where unknown."""

    def medium_span(self, folder: Path, extents: tuple[Extent, ...]) -> tuple[float, float] | None:
        """Give where stretches of the volume lie on its whole disk, first and last byte [1 of the disk].

        None where that cannot be told; 0 is the disk's first sector, the outermost track of a rotating one.
        """
