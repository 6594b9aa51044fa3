"""A stand-in drive: a loop device with a file system and the kernel's write throttle on a given curve.

What it is true about: rates held for four seconds and longer (within 1 %), cliffs by bytes (within 0.3 %),
stalls from 0.3 s (about 0.1 s longer than set). What it is not: single blocks, since the throttle gives out
its bytes in slices of 100 ms; there `NbdDrive` is the better stand-in.
"""

import contextlib
import ctypes
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from tests.rigs.curve import Curve
from tests.rigs.throttle import Knob, NoThrottleError, throttled_group

ROOT = Path(__file__).resolve().parents[2]
IN_MEMORY, ON_DISK = Path("/dev/shm"), Path("/var/tmp")
ROOM_TIMES = 5  # [1] times an image, since two stand-in drives may run beside each other
MAKE_FS = {
    "ext4": ["mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0,nodiscard"],
    "xfs": ["mkfs.xfs", "-q", "-f", "-K"],
    "btrfs": ["mkfs.btrfs", "-q", "-f", "-K"],
}
TAKEN_OVER_WITHIN_S = 20.0
_PATH = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"


class NoLoopDriveError(Exception):
    """This machine gives no loop device; the text says why."""


@dataclass
class LoopDrive:
    """A running stand-in drive.

    Attributes:
        name: The kernel's name, as `loop0`.
        device: Its node.
        mount: Where its file system is mounted.
        image: The file behind it.
        curve_file: Holds its curve; writing a new one begins it.
        log: The supervisor's log.
    """

    name: str
    device: Path
    mount: Path
    image: Path
    curve_file: Path
    log: Path
    supervisor: "subprocess.Popen[str] | None" = None

    def set_curve(self, curve: Curve) -> None:
        """Begin another curve now, and wait until it is in force."""
        before = len([event for event in self.truth() if event["event"] == "curve"])
        replacement = self.curve_file.with_suffix(".new")
        replacement.write_text(curve.to_json())
        replacement.replace(self.curve_file)
        deadline = time.monotonic() + TAKEN_OVER_WITHIN_S
        while len([event for event in self.truth() if event["event"] == "curve"]) == before:
            if self.supervisor is None or self.supervisor.poll() is not None:
                raise NoLoopDriveError("the rig's supervisor has ended")
            if time.monotonic() > deadline:
                raise NoLoopDriveError(f"the rig took no new curve over within {TAKEN_OVER_WITHIN_S:.0f} s")
            time.sleep(0.001)

    def truth(self) -> list[dict[str, Any]]:
        """Give what the supervisor did."""
        lines = self.log.read_text().splitlines() if self.log.exists() else []
        return [json.loads(line) for line in lines if line.endswith("}")]

    def witnessed_bytes_per_s(self, begin: int, end: int) -> float:
        """Give the mean rate at which the device took in what lies between two byte counts of its curve.

        The kernel's own count, so it holds as well where the machine as a whole stood still for a moment.
        """
        first, *_, last = self._taken_in(begin, end)
        return (last[0] - first[0]) / (last[1] - first[1])

    def witnessed_windows_bytes_per_s(self, end: int, *, window_s: float) -> list[float]:
        """Give the rates of all stretches of so many seconds until the device had taken in a count."""
        taken = self._taken_in(0, end)
        rates: list[float] = []
        last = 0
        for at_bytes, at_s in taken:
            while last < len(taken) and taken[last][1] - at_s < window_s:
                last += 1
            if last == len(taken):
                break
            rates.append((taken[last][0] - at_bytes) / (taken[last][1] - at_s))
        return rates

    def _taken_in(self, begin: int, end: int) -> list[tuple[int, float]]:
        taken = [(event["at_bytes"], event["at_s"]) for event in self.truth() if event["event"] == "written"]
        first = max(index for index, each in enumerate(taken) if each[0] <= begin)
        last = next((index for index, each in enumerate(taken) if each[0] >= end), len(taken) - 1)
        return taken[first : last + 1]

    def wait_for(self, event: str, *, within_s: float = 20.0) -> None:
        """Wait until the supervisor logs an event once more.

        Raises:
            TimeoutError: It did not in time.
        """
        before = len([each for each in self.truth() if each["event"] == event])
        deadline = time.monotonic() + within_s
        while len([each for each in self.truth() if each["event"] == event]) == before:
            if time.monotonic() > deadline:
                raise TimeoutError(f"the rig did not come to '{event}' within {within_s:.0f} s")
            time.sleep(0.02)

    def counters(self) -> tuple[int, int]:
        """Give bytes read and written by the kernel's count, since the device was set up by anybody."""
        fields = Path(f"/sys/block/{self.name}/stat").read_text().split()
        return int(fields[2]) * 512, int(fields[6]) * 512


def quiet_place(size_bytes: int) -> Path:
    """Give memory where it has room to spare for an image, else a place on disk.

    A shared machine's disk may stop for a second at any time, and a stand-in drive on it stops as well: then
    dd at 120 MB/s gives 107, and no test can tell that from a fault.
    """
    room = os.statvfs(IN_MEMORY) if IN_MEMORY.is_dir() and os.access(IN_MEMORY, os.W_OK) else None
    if room is None or room.f_bavail * room.f_frsize < ROOM_TIMES * size_bytes:
        return ON_DISK
    told = re.search(r"^MemAvailable:\s+(\d+) kB", Path("/proc/meminfo").read_text(), re.MULTILINE)
    return IN_MEMORY if told and int(told[1]) * 1024 > ROOM_TIMES * size_bytes else ON_DISK


@contextlib.contextmanager
def loop_drive(
    curve: Curve,
    *,
    size_bytes: int = 4 << 30,
    file_system: str = "ext4",
    backing: Path | None = None,
    base: Path | None = None,
) -> Iterator[LoopDrive]:
    """Set a stand-in drive up and take it apart again, however its owner ends.

    Args:
        curve: Its write curve.
        size_bytes: Its capacity [bytes].
        file_system: What it is formatted with.
        backing: An existing file to lay it on; None: a new one.
        base: Where its files go; None: `quiet_place`.

    Raises:
        NoLoopDriveError: There is no loop device to be had.
        NoThrottleError: There is no block throttle to be had.
    """
    with throttled_group() as knob:
        place = base or (quiet_place(size_bytes) if backing is None else ON_DISK)
        folder = Path(tempfile.mkdtemp(prefix="ebbmark-rig-", dir=place))
        drive: LoopDrive | None = None
        try:
            with attached(folder, size_bytes=size_bytes, file_system=file_system, backing=backing) as drive:
                _supervise(drive, curve, knob, folder)
                yield drive
        finally:
            shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def attached(
    folder: Path, *, size_bytes: int, file_system: str = "ext4", backing: Path | None = None
) -> Iterator[LoopDrive]:
    """Attach, format and mount a loop device without any limit.

    Raises:
        NoLoopDriveError: There is none to be had.
    """
    if os.geteuid() != 0:
        raise NoLoopDriveError("a loop device needs root")
    image = backing or folder / "image"
    if backing is None:
        with image.open("wb") as made:
            os.posix_fallocate(made.fileno(), 0, size_bytes)
    device = _run(["losetup", "--direct-io=on", "-f", "--show", str(image)]).strip()
    drive = LoopDrive(
        name=Path(device).name,
        device=Path(device),
        mount=folder / "mount",
        image=image,
        curve_file=folder / "curve.json",
        log=folder / "truth.jsonl",
    )
    try:
        _run([*MAKE_FS[file_system], device])
        drive.mount.mkdir()
        _run(["mount", "-t", file_system, device, str(drive.mount)])
        yield drive
    finally:
        if drive.supervisor is not None:
            _end(drive.supervisor)
        if os.path.ismount(drive.mount):
            _umount(drive.mount)
        subprocess.run(["losetup", "-d", device], check=False, capture_output=True, env=_environment())


def _supervise(drive: LoopDrive, curve: Curve, knob: Knob, folder: Path) -> None:
    drive.curve_file.write_text(curve.to_json())
    config = folder / "config.json"
    config.write_text(
        json.dumps(
            {
                "name": drive.name,
                "device": str(drive.device),
                "number": Path(f"/sys/block/{drive.name}/dev").read_text().strip(),
                "group": str(knob.group),
                "version": knob.version,
                "curve": str(drive.curve_file),
                "log": str(drive.log),
                "mount": str(drive.mount),
                "folder": str(folder),
            }
        )
    )
    drive.supervisor = subprocess.Popen(
        [sys.executable, "-m", "tests.rigs.supervisor", str(config)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=_environment(),
        start_new_session=True,  # a Ctrl-C or a killed process group must not take the cleaner along
    )
    answer = _stream(drive.supervisor.stdout).readline()
    if answer.strip() != "ready":
        raise NoThrottleError(f"the throttle did not start: {_stream(drive.supervisor.stderr).read()}")


def _stream(stream: IO[str] | None) -> IO[str]:
    assert stream is not None
    return stream


def _end(supervisor: "subprocess.Popen[str]") -> None:
    _stream(supervisor.stdin).close()
    supervisor.wait(timeout=30)
    _stream(supervisor.stdout).close()
    _stream(supervisor.stderr).close()


def _umount(mount: Path) -> None:
    done = subprocess.run(["umount", str(mount)], check=False, capture_output=True, env=_environment())
    if done.returncode:
        subprocess.run(["umount", "-l", str(mount)], check=False, capture_output=True, env=_environment())


def _run(argv: list[str]) -> str:
    try:
        return subprocess.run(
            argv, check=True, capture_output=True, text=True, env=_environment(), timeout=60
        ).stdout
    except FileNotFoundError as error:
        raise NoLoopDriveError(f"the program {argv[0]} is not installed") from error
    except subprocess.CalledProcessError as error:
        raise NoLoopDriveError(f"{' '.join(argv)}: {error.stderr.strip()}") from error


def _environment() -> dict[str, str]:
    return {**os.environ, "PATH": _PATH}


def drop_page_cache(path: Path) -> None:
    """Make the kernel forget what it holds of a file."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(descriptor)


def shut_down_ext4(mount: Path) -> None:
    """Make an ext4 file system refuse everything from now on, as after a drive's disappearance.

    Source: EXT4_IOC_SHUTDOWN, include/uapi/linux/ext4.h; 2 is EXT4_GOING_FLAGS_NOLOGFLUSH.
    """
    descriptor = os.open(mount, os.O_RDONLY | os.O_DIRECTORY)
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        flags = ctypes.c_uint32(2)
        if libc.ioctl(descriptor, ctypes.c_ulong(0x8004587D), ctypes.byref(flags)) != 0:
            raise OSError(ctypes.get_errno(), "shutdown refused")
    finally:
        os.close(descriptor)
