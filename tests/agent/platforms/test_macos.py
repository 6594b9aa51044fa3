"""The macOS side of the port, by a recording fake of the one system call that is not shared with Linux."""

import errno
import os
import struct
import sys
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.errors import UnbufferedIoUnsupportedError
from ebbmark_agent.platforms import OpenWriter, macos

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX file calls")

# Numbers as in Darwin's sys/fcntl.h, from memory.
F_PREALLOCATE, F_NOCACHE, F_FULLFSYNC, F_PUNCHHOLE = 42, 48, 51, 99


class RecordingFcntl:
    """Stands in for fcntl(2): records each call and refuses those it was told to."""

    def __init__(self, *, refuse: dict[int, int] | None = None) -> None:
        """Take command numbers to refuse, with the error number."""
        self.calls: list[tuple[int, Any]] = []
        self._refuse = refuse or {}

    def __call__(self, descriptor: int, command: int, argument: Any = 0) -> int:
        """Record."""
        self.calls.append((command, argument))
        if command in self._refuse:
            raise OSError(self._refuse[command], "refused")
        return 0


def test_a_probe_file_is_uncached_and_nameless(tmp_path: Path) -> None:
    """Creating turns caching off on the very file, and takes its name and the folder away at once."""
    calls = RecordingFcntl()
    file = macos.create_probe_file(tmp_path, control=calls)
    try:
        assert calls.calls == [(F_NOCACHE, 1)]
        assert file.unnamed
        assert list(tmp_path.iterdir()) == []
    finally:
        file.close()


def test_a_cache_that_cannot_be_turned_off_is_refused(tmp_path: Path) -> None:
    """Without F_NOCACHE there is no honest figure, so there is no file."""
    with pytest.raises(UnbufferedIoUnsupportedError):
        macos.create_probe_file(tmp_path, control=RecordingFcntl(refuse={F_NOCACHE: errno.ENOTSUP}))

    assert list(tmp_path.iterdir()) == []


def test_sync_reaches_the_medium(tmp_path: Path) -> None:
    """Flushing asks for F_FULLFSYNC: fsync alone leaves data in the drive's cache there."""
    calls = RecordingFcntl()
    file = macos.create_probe_file(tmp_path, control=calls)
    file.sync()
    file.close()

    assert calls.calls[-1] == (F_FULLFSYNC, 0)


def test_layout_asks_for_all_of_the_space(tmp_path: Path) -> None:
    """F_PREALLOCATE gets an fstore_t: all or nothing, from the file's end; then the length is set."""
    calls = RecordingFcntl()
    file = macos.create_probe_file(tmp_path, control=calls)
    try:
        assert file.preallocate(1 << 20)
        command, request = calls.calls[-1]

        assert command == F_PREALLOCATE
        assert struct.unpack("=IiqqQ", request) == (0x4, 3, 0, 1 << 20, 0)
        assert os.fstat(file.fileno()).st_size == 1 << 20
    finally:
        file.close()


def test_a_file_system_without_layout_says_so(tmp_path: Path) -> None:
    """ExFAT knows no F_PREALLOCATE: the layout is then appended, not an error."""
    file = macos.create_probe_file(tmp_path, control=RecordingFcntl(refuse={F_PREALLOCATE: errno.ENOTSUP}))
    try:
        assert not file.preallocate(1 << 20)
    finally:
        file.close()


def test_release_punches_the_file_out(tmp_path: Path) -> None:
    """Freed blocks are told of while the file is open: F_PUNCHHOLE over its whole length."""
    calls = RecordingFcntl()
    file = macos.create_probe_file(tmp_path, control=calls)
    try:
        assert file.release(1 << 20)
        assert calls.calls[-1] == (F_PUNCHHOLE, struct.pack("=IIqq", 0, 0, 0, 1 << 20))
    finally:
        file.close()


def test_writers_are_read_from_lsof() -> None:
    """A regular file open for writing or update counts; a reader, a folder and the agent itself do not."""
    text = "\n".join(
        [
            *("p100", "ccapture app", "fcwd", "a ", "tDIR", "f7", "aw", "tREG"),
            *("p200", "cviewer", "f3", "ar", "tREG"),
            *("p300", "cgrader", "f4", "au", "tREG", "f5", "aw", "tREG"),
            *("p400", "cebbmark-agent", "f4", "au", "tREG"),
        ]
    )

    assert macos.parse_lsof(text, own_pid=400) == (
        OpenWriter(pid=100, program="capture app"),
        OpenWriter(pid=300, program="grader"),
    )
