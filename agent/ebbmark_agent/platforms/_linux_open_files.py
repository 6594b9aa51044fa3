"""Which processes hold files on a volume open for writing, from /proc."""

import contextlib
import os
import stat
from pathlib import Path

from ebbmark_agent.platforms._port import OpenWriter

_PROC = Path("/proc")
_ACCESS_MODE = 0o3  # O_RDONLY is 0, so anything else can write


def open_writers(path: Path, *, proc: Path = _PROC) -> tuple[OpenWriter, ...] | None:
    """Name the other processes that hold regular files on the volume of `path` open for writing.

    Processes of other users are passed over when the agent's user may not look into them.

    Returns:
        One entry a process; None when no process but the agent's own could be looked into.
    """
    try:
        device = path.stat().st_dev
        processes = [entry for entry in proc.iterdir() if entry.name.isdigit()]
    except OSError:
        return None
    own = os.getpid()
    writers: list[OpenWriter] = []
    seen_others = False
    for process in processes:
        pid = int(process.name)
        if pid == own:
            continue
        writes = _writes_on(process, device)
        seen_others = seen_others or writes is not None
        if writes:
            writers.append(OpenWriter(pid=pid, program=_program(process)))
    return tuple(writers) if seen_others else None


def _writes_on(process: Path, device: int) -> bool | None:
    """Tell whether a process has a writable file on a device; None when it may not be looked into."""
    try:
        descriptors = list((process / "fd").iterdir())
    except OSError:
        return None
    for descriptor in descriptors:
        # A descriptor may close between listing and looking; then it holds nothing open any more.
        with contextlib.suppress(OSError, ValueError):
            found = descriptor.stat()
            if found.st_dev == device and stat.S_ISREG(found.st_mode):
                flags = _flags((process / "fdinfo" / descriptor.name).read_text(encoding="ascii"))
                if flags & _ACCESS_MODE:
                    return True
    return False


def _flags(fdinfo: str) -> int:
    """Read the octal open flags out of an fdinfo file."""
    for line in fdinfo.splitlines():
        if line.startswith("flags:"):
            return int(line.split()[1], 8)
    return 0


def _program(process: Path) -> str:
    """Give a process's short name."""
    with contextlib.suppress(OSError):
        return (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    return "a process"
