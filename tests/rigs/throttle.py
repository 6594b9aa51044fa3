"""The kernel's own block throttle, in the cgroup this process is in: version 1 blkio or version 2 io.max.

Version 1 is not hierarchical, so the rule must stand in the very group of the writer. Version 2 knows no
rule in its root group, so there the writer is moved into a group of its own first.
"""

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path

_V1 = Path("/sys/fs/cgroup/blkio")
_V2 = Path("/sys/fs/cgroup")
_V1_KNOB = "blkio.throttle.write_bps_device"
_GROUP_PREFIX = "ebbmark-rig-"
_OTHERS = "ebbmark-others"


class NoThrottleError(Exception):
    """This machine has no block throttle that may be used; the text says why."""


class Knob:
    """One writable limit for one group of processes."""

    def __init__(self, group: Path, *, version: int) -> None:
        """Take the group's folder and the version of its hierarchy."""
        self.group = group
        self.version = version

    def limit(self, device_number: str, bytes_per_s: int) -> None:
        """Limit writes to a device `major:minor`; 0 takes the limit off [bytes/s]."""
        if self.version == 1:
            text, knob = f"{device_number} {bytes_per_s}", _V1_KNOB
        else:
            text, knob = f"{device_number} wbps={bytes_per_s or 'max'}", "io.max"
        # One write(2) a rule, or the kernel takes only part of the line.
        descriptor = os.open(self.group / knob, os.O_WRONLY)
        try:
            os.write(descriptor, text.encode())
        except OSError:
            if bytes_per_s:  # taking a limit off a device that is gone is no failure
                raise
        finally:
            os.close(descriptor)


@contextlib.contextmanager
def throttled_group() -> Iterator[Knob]:
    """Give the knob for this process and all it starts.

    Raises:
        NoThrottleError: There is none, or it may not be used.
    """
    if os.geteuid() != 0:
        raise NoThrottleError("the kernel's block throttle needs root")
    v1 = _own_v1_group()
    if v1 is not None:
        yield Knob(v1, version=1)
        return
    if not (_V2 / "cgroup.controllers").exists():
        raise NoThrottleError("no cgroup with a block throttle is mounted (neither blkio nor version 2)")
    if "io" not in (_V2 / "cgroup.controllers").read_text().split():
        raise NoThrottleError("cgroup version 2 is mounted without its io controller")
    with _own_v2_group() as group:
        yield Knob(group, version=2)


def _own_v1_group() -> Path | None:
    for line in Path("/proc/self/cgroup").read_text().splitlines():
        _, controllers, path = line.split(":", 2)
        if "blkio" in controllers.split(","):
            for group in (_V1 / path.lstrip("/"), _V1):
                if os.access(group / _V1_KNOB, os.W_OK):
                    return group
    return None


@contextlib.contextmanager
def _own_v2_group() -> Iterator[Path]:
    home = _own_v2_path()
    if home.name.startswith(_GROUP_PREFIX):  # a second rig of the same process shares the first one's group
        yield home
        return
    group = _V2 / f"{_GROUP_PREFIX}{os.getpid()}"
    moved: list[str] = []
    try:
        moved = _offer_io()
        group.mkdir()
        (group / "cgroup.procs").write_text(str(os.getpid()))
    except OSError as error:
        _take_back(moved)
        raise NoThrottleError(f"a cgroup of its own could not be made: {error}") from error
    try:
        yield group
    finally:
        _move((group / "cgroup.procs").read_text().split(), _V2 / _OTHERS if moved else home)
        with contextlib.suppress(OSError):
            group.rmdir()
        _take_back(moved)


def _own_v2_path() -> Path:
    for line in Path("/proc/self/cgroup").read_text().splitlines():
        if line.startswith("0::"):
            return _V2 / line[3:].lstrip("/")
    return _V2


def _offer_io() -> list[str]:
    """Let child groups have the io controller, and give the processes that had to make room for that.

    The real root may hold processes and offer controllers at once; the root of a container may not, so there
    its processes are moved into a group of their own for the while.
    """
    if "io" in (_V2 / "cgroup.subtree_control").read_text().split():
        return []
    try:
        (_V2 / "cgroup.subtree_control").write_text("+io")
        return []
    except OSError as error:
        if error.errno != errno.EBUSY:
            raise
    (_V2 / _OTHERS).mkdir(exist_ok=True)
    moved = (_V2 / "cgroup.procs").read_text().split()
    _move(moved, _V2 / _OTHERS)
    (_V2 / "cgroup.subtree_control").write_text("+io")
    return moved


def _take_back(moved: list[str]) -> None:
    if moved:
        with contextlib.suppress(OSError):
            (_V2 / "cgroup.subtree_control").write_text("-io")
            _move((_V2 / _OTHERS / "cgroup.procs").read_text().split(), _V2)
            (_V2 / _OTHERS).rmdir()


def _move(processes: list[str], group: Path) -> None:
    for process in processes:
        with contextlib.suppress(OSError):  # it may have ended meanwhile
            (group / "cgroup.procs").write_text(process)
