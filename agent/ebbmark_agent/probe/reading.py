"""The read probe: files already on the medium are read past the page cache; nothing is ever written.

It serves the offload side (how long the used bytes take to read off) and edit roles (several streams at
once). Streams are read in turn, a portion each, as playback of several streams does.
"""

import contextlib
import mmap
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ebbmark_agent.errors import NotAVolumeError
from ebbmark_agent.platforms import ALIGNMENT_BYTES, ProbeFile
from ebbmark_agent.probe.blocks import LARGEST_BYTES
from ebbmark_agent.probe.ended import fault_of
from ebbmark_agent.probe.request import Phase, ProbeRequest
from ebbmark_agent.probe.session import Session
from ebbmark_agent.report import FileLayout

SMALLEST_FILE_BYTES = 16 << 20  # [bytes] opening smaller ones would be what is timed
DEFAULT_BYTES = 4_000_000_000  # [bytes]
MOST_FILES = 2000  # [1] found before the search ends


@dataclass(kw_only=True)
class Stream:
    """One file being read from its begin."""

    path: Path
    size_bytes: int
    at_bytes: int = 0


def read(session: Session) -> None:
    """Read files in as many streams as asked for.

    Raises:
        NotAVolumeError: There is nothing large enough to read.
        FaultError: The kernel refused a read.
        GaveWayError: Somebody else needs the drive.
        CancelledError: The probe was called off.
    """
    session.reads_only = True
    session.layout = FileLayout.OVERWRITTEN  # what is read has its place already
    waiting = files_to_read(session.request)
    if not waiting:
        raise NotAVolumeError(
            path=str(session.request.folder),
            reason=f"it holds no file of {SMALLEST_FILE_BYTES >> 20} MiB or more to read",
        )
    session.streams = min(session.request.streams, len(waiting))
    target = min(session.request.max_bytes or DEFAULT_BYTES, sum(stream.size_bytes for stream in waiting))
    session.guard.begin(Phase.READING, target)
    session.log.begin_segment()
    with contextlib.ExitStack() as stack, mmap.mmap(-1, LARGEST_BYTES) as buffer:
        playing: list[tuple[Stream, ProbeFile]] = []
        while session.log.total_bytes < target:
            while waiting and len(playing) < session.streams:
                stream = waiting.pop(0)
                try:
                    file = session.platform.open_unbuffered(stream.path)
                except (FileNotFoundError, PermissionError):
                    continue  # gone since it was found, or not for this user
                stack.callback(file.close)
                playing.append((stream, file))
            if not playing:
                return
            stream, file = playing.pop(0)
            _portion(session, stream, file, buffer, target)
            if stream.at_bytes < stream.size_bytes:
                playing.append((stream, file))
            else:
                file.close()


def _portion(session: Session, stream: Stream, file: ProbeFile, buffer: mmap.mmap, target: int) -> None:
    left = min(stream.size_bytes - stream.at_bytes, target - session.log.total_bytes)
    length = max(ALIGNMENT_BYTES, min(len(buffer), left // ALIGNMENT_BYTES * ALIGNMENT_BYTES))
    try:
        with memoryview(buffer) as whole, whole[:length] as part:
            had = file.read_at(part, stream.at_bytes)
    except OSError as error:
        raise fault_of(error, operation="read", at_byte=session.log.total_bytes) from error
    if had == 0:  # somebody shortened the file meanwhile
        stream.at_bytes = stream.size_bytes
        return
    stream.at_bytes += had
    session.log.add(had)
    session.guard.did(had)
    session.guard.between(session.log, session.log.total_bytes)


def files_to_read(request: ProbeRequest) -> list[Stream]:
    """Find files worth reading on the volume, largest first; links and other volumes are not entered."""
    found: list[Stream] = []
    for path, size in _files(request.folder):
        if size >= SMALLEST_FILE_BYTES:
            found.append(Stream(path=path, size_bytes=size // ALIGNMENT_BYTES * ALIGNMENT_BYTES))
        if len(found) >= MOST_FILES:
            break
    return sorted(found, key=lambda stream: (-stream.size_bytes, stream.path))


def _files(folder: Path) -> Iterator[tuple[Path, int]]:
    device = folder.stat().st_dev
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if _on(Path(place, name), device)]
        for name in names:
            path = Path(place, name)
            with contextlib.suppress(OSError):
                found = path.lstat()
                if path.is_file() and not path.is_symlink():
                    yield path, found.st_size


def _on(folder: Path, device: int) -> bool:
    with contextlib.suppress(OSError):
        return folder.lstat().st_dev == device and not folder.is_symlink()
    return False
