"""The Windows side of the port, by a recording fake of kernel32."""

import ctypes
import mmap
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.platforms import PROBE_FOLDER, windows

# Values as in the Windows SDK, from memory.
NO_BUFFERING, WRITE_THROUGH, DELETE_ON_CLOSE = 0x20000000, 0x80000000, 0x04000000
NOT_CONTENT_INDEXED = 0x2000
GENERIC_READ, GENERIC_WRITE, DELETE = 0x80000000, 0x40000000, 0x00010000
CREATE_NEW, OPEN_EXISTING = 1, 3
FSCTL_FILE_LEVEL_TRIM, IOCTL_DISK_PERFORMANCE = 0x00098208, 0x00070020
ERROR_DISK_FULL, ERROR_DEVICE_NOT_CONNECTED = 112, 1167


class RecordingKernel32:
    """Stands in for kernel32.dll: one file in memory, every call recorded, errors on demand."""

    def __init__(self, *, error: int = 0, handle: int = 41) -> None:
        """Take the error that writes fail with, and the handle that opening gives."""
        self.calls: list[tuple[str, tuple[Any, ...]]] = []
        self.content = bytearray(1 << 20)
        self._error = error
        self._handle = handle

    def CreateFileW(self, *arguments: Any) -> int:
        """Open."""
        self.calls.append(("CreateFileW", arguments))
        return self._handle

    def WriteFile(self, handle: int, data: Any, length: int, moved: Any, position: Any) -> bool:
        """Write at the offset in the OVERLAPPED structure."""
        at = self._offset(position)
        self.calls.append(("WriteFile", (handle, length, at)))
        if self._error:
            return False
        self.content[at : at + length] = bytes(data)[:length]
        moved._obj.value = length
        return True

    def ReadFile(self, handle: int, into: Any, length: int, moved: Any, position: Any) -> bool:
        """Read at the offset in the OVERLAPPED structure."""
        at = self._offset(position)
        self.calls.append(("ReadFile", (handle, length, at)))
        into[:length] = bytes(self.content[at : at + length])
        moved._obj.value = length
        return True

    def FlushFileBuffers(self, handle: int) -> bool:
        """Flush."""
        self.calls.append(("FlushFileBuffers", (handle,)))
        return True

    def SetFileInformationByHandle(self, handle: int, kind: int, value: Any, size: int) -> bool:
        """Set the file's length."""
        self.calls.append(("SetFileInformationByHandle", (handle, kind, value._obj.value, size)))
        return True

    def DeviceIoControl(self, handle: int, code: int, *rest: Any) -> bool:
        """Trim, or answer with a disk's counters."""
        self.calls.append(("DeviceIoControl", (handle, code)))
        if code == IOCTL_DISK_PERFORMANCE:
            answer = rest[2]._obj
            answer.BytesRead, answer.BytesWritten, answer.QueueDepth = 5_000_000_000, 7_000_000_000, 2
            answer.QueryTime, answer.IdleTime = 30_000_000, 10_000_000
        return True

    def CloseHandle(self, handle: int) -> bool:
        """Close."""
        self.calls.append(("CloseHandle", (handle,)))
        return True

    def GetLastError(self) -> int:
        """Give the error."""
        return self._error

    @staticmethod
    def _offset(position: Any) -> int:
        return int(position._obj.Offset) | int(position._obj.OffsetHigh) << 32


def test_a_probe_file_is_unbuffered_written_through_and_deleted_on_close(tmp_path: Path) -> None:
    """The handle asks the system for all three, shares with nobody and stays out of the search index."""
    library = RecordingKernel32()
    windows.create_probe_file(tmp_path, kernel32=library)
    name, (path, access, share, _, disposition, flags, _) = library.calls[0]

    assert name == "CreateFileW"
    assert Path(path).parent == tmp_path / PROBE_FOLDER
    assert access == GENERIC_READ | GENERIC_WRITE | DELETE
    assert share == 0
    assert disposition == CREATE_NEW
    for flag in (NO_BUFFERING, WRITE_THROUGH, DELETE_ON_CLOSE, NOT_CONTENT_INDEXED):
        assert flags & flag


def test_a_clip_is_opened_for_reading_only(tmp_path: Path) -> None:
    """A read probe asks for reading alone, shares with everybody and deletes nothing."""
    library = RecordingKernel32()
    windows.open_unbuffered(tmp_path / "clip", kernel32=library)
    _, (_, access, share, _, disposition, flags, _) = library.calls[0]

    assert access == GENERIC_READ
    assert share == 7
    assert disposition == OPEN_EXISTING
    assert not flags & DELETE_ON_CLOSE


def test_data_comes_back_from_its_offset(tmp_path: Path) -> None:
    """Writes and reads carry their offset in the OVERLAPPED structure."""
    file = windows.create_probe_file(tmp_path, kernel32=RecordingKernel32())
    with mmap.mmap(-1, 8192) as data, mmap.mmap(-1, 8192) as back:
        data[:] = bytes(range(256)) * 32

        assert file.write_at(data, 4096) == 8192
        assert file.read_at(back, 4096) == 8192
        assert data[:] == back[:]


def test_offsets_beyond_four_gigabytes_are_split(tmp_path: Path) -> None:
    """A soak writes past 32 bits: the high half of the offset goes along."""
    library = RecordingKernel32()
    file = windows.create_probe_file(tmp_path, kernel32=library)
    with mmap.mmap(-1, 4096) as data:
        file.write_at(data, 5 * 2**32 + 8192)

    assert library.calls[-1] == ("WriteFile", (41, 4096, 5 * 2**32 + 8192))


@pytest.mark.parametrize(
    ("error", "name"), [(ERROR_DISK_FULL, "ENOSPC"), (ERROR_DEVICE_NOT_CONNECTED, "ENODEV"), (9999, "EIO")]
)
def test_errors_have_the_names_of_other_systems(tmp_path: Path, error: int, name: str) -> None:
    """A full disk and a pulled one are told apart as on any system; what is unknown is an I/O error."""
    import errno

    file = windows.create_probe_file(tmp_path, kernel32=RecordingKernel32(error=error))
    with mmap.mmap(-1, 4096) as data, pytest.raises(OSError, match=f"Windows error {error}") as caught:
        file.write_at(data, 0)

    assert errno.errorcode[caught.value.errno or 0] == name


def test_layout_sets_the_length(tmp_path: Path) -> None:
    """The file's length is set by FileEndOfFileInfo, number 6."""
    library = RecordingKernel32()
    windows.create_probe_file(tmp_path, kernel32=library).preallocate(3 << 30)

    assert library.calls[-1] == ("SetFileInformationByHandle", (41, 6, 3 << 30, 8))


def test_release_trims_before_the_file_goes(tmp_path: Path) -> None:
    """The file's own blocks are trimmed while the handle is open."""
    library = RecordingKernel32()
    file = windows.create_probe_file(tmp_path, kernel32=library)

    assert file.release(1 << 20)

    file.close()

    assert [name for name, _ in library.calls[-2:]] == ["DeviceIoControl", "CloseHandle"]
    assert library.calls[-2][1] == (41, FSCTL_FILE_LEVEL_TRIM)


def test_closing_twice_closes_once(tmp_path: Path) -> None:
    """A handle number may be another file's by the second close."""
    library = RecordingKernel32()
    file = windows.create_probe_file(tmp_path, kernel32=library)
    file.close()
    file.close()

    assert [name for name, _ in library.calls].count("CloseHandle") == 1
    assert not (tmp_path / PROBE_FOLDER).exists()


def test_a_disks_counters_come_from_its_driver() -> None:
    """Bytes, queue depth and busy time are read from DISK_PERFORMANCE; its times are units of 100 ns."""
    library = RecordingKernel32()
    counters = windows.disk_counters("PhysicalDrive3", kernel32=library)

    assert library.calls[0][1][0] == r"\\.\PhysicalDrive3"
    assert counters is not None
    assert counters.read_bytes == 5_000_000_000
    assert counters.written_bytes == 7_000_000_000
    assert counters.in_flight == 2
    assert counters.busy_s == 2.0
    assert library.calls[-1][0] == "CloseHandle"


def test_an_unknown_disk_has_no_counters() -> None:
    """An invalid handle is None, not zeros."""
    library = RecordingKernel32(handle=ctypes.c_void_p(-1).value or -1)

    assert windows.disk_counters("PhysicalDrive9", kernel32=library) is None


def test_the_counters_structure_has_its_documented_size() -> None:
    """DISK_PERFORMANCE is 88 bytes: five and one 64-bit, five 32-bit, eight 16-bit fields, padded to eight.

    Source: winioctl.h, from memory.
    """
    assert ctypes.sizeof(windows.DiskPerformance) == 88
