"""A stand-in drive that paces every block exactly and fails on demand: nbdkit behind a loop device.

What it is true about: single blocks, short stalls (within 30 ms), EIO and ENOSPC at a byte, a server that
is killed in mid-write. It is slower than a throttled loop device, and the first pass over a fresh image dips.
"""

import contextlib
import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.rigs.curve import Curve
from tests.rigs.loop_drive import LoopDrive, attached, quiet_place

PLUGIN = Path(__file__).with_name("nbd_plugin.py")
READY_WITHIN_S = 20.0


@dataclass
class NbdDrive:
    """A running stand-in drive.

    Attributes:
        loop: The loop device over it, with its mount and counters.
        control: The plugin's control file.
        server: nbdfuse, which runs nbdkit.
    """

    loop: LoopDrive
    control: Path
    server: "subprocess.Popen[bytes]"

    @property
    def mount(self) -> Path:
        """Give where its file system is mounted."""
        return self.loop.mount

    def behave(self, curve: Curve | None = None, **facts: object) -> None:
        """Begin a curve, and whatever else the plugin's control file knows."""
        told: dict[str, object] = dict(facts)
        if curve is not None:
            told["steps"] = [[step.at_bytes, step.bytes_per_s] for step in curve.steps]
            told["stall_every_s"], told["stall_for_s"] = curve.stall_every_s, curve.stall_for_s
            told["rest_s"] = curve.rest_s
        write_control(self.control, told)

    def kill(self) -> None:
        """Kill the server in mid-work, as if the drive had been pulled."""
        for child in _children(self.server.pid):
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, 9)
        self.server.kill()
        self.server.wait(timeout=10)


def write_control(path: Path, facts: dict[str, object]) -> None:
    """Replace the control file as a whole."""
    new = path.with_suffix(".new")
    new.write_text(json.dumps(facts))
    new.replace(path)


@contextlib.contextmanager
def nbd_drive(*, size_bytes: int = 1 << 30, base: Path | None = None) -> Iterator[NbdDrive]:
    """Set the drive up, written over once so that its image is no longer fresh, and take it apart again."""
    folder = Path(tempfile.mkdtemp(prefix="ebbmark-nbd-", dir=base or quiet_place(size_bytes)))
    point = folder / "drive"
    server: subprocess.Popen[bytes] | None = None
    try:
        point.touch()
        image = folder / "image"
        _write_over(image, size_bytes)
        control = folder / "control.json"
        write_control(control, {})
        server = subprocess.Popen(
            [
                *("nbdfuse", str(point), "--command"),
                *("nbdkit", "-s", "python", str(PLUGIN), f"image={image}", f"control={control}"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        _wait_for(point, size_bytes, server)
        with attached(folder, size_bytes=size_bytes, backing=point) as loop:
            yield NbdDrive(loop=loop, control=control, server=server)
    finally:
        subprocess.run(["fusermount3", "-u", "-z", str(point)], check=False, capture_output=True)
        if server is not None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                server.wait(timeout=5)
            server.kill()
            server.wait(timeout=10)
        shutil.rmtree(folder, ignore_errors=True)


def _write_over(image: Path, size_bytes: int) -> None:
    with image.open("wb", buffering=0) as made:
        portion = os.urandom(1 << 20)
        for _ in range(size_bytes >> 20):
            made.write(portion)
        os.fsync(made.fileno())


def _wait_for(point: Path, size_bytes: int, server: "subprocess.Popen[bytes]") -> None:
    deadline = time.monotonic() + READY_WITHIN_S
    while point.stat().st_size != size_bytes:
        if server.poll() is not None or time.monotonic() > deadline:
            raise RuntimeError(f"nbdfuse did not come up (exit {server.poll()})")
        time.sleep(0.02)


def _children(pid: int) -> list[int]:
    found = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(child) for child in found.read_text().split()] if found.exists() else []
