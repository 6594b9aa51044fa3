"""The stand-in drives are what they say, by instruments that are not ours, and leave nothing behind."""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from statistics import median

import pytest

from tests.rigs.curve import Curve, Step
from tests.rigs.fixtures import nbd_rig, rig
from tests.rigs.loop_drive import ROOT, loop_drive
from tests.rigs.nbd_drive import nbd_drive

__all__ = ["nbd_rig", "rig"]

MB = 1_000_000


def dd(path: Path, size: int) -> float:
    """Write unbuffered by dd and give its rate [bytes/s]."""
    done = subprocess.run(
        ["dd", "if=/dev/zero", f"of={path}", "bs=4M", f"count={size >> 22}", "oflag=direct"],
        check=True,
        capture_output=True,
        text=True,
        env={"LC_ALL": "C", "PATH": "/usr/bin:/bin"},
    )
    told = re.search(r"^(\d+) bytes.* copied, ([0-9.]+) s", done.stderr, re.MULTILINE)
    assert told is not None
    return int(told.group(1)) / float(told.group(2))


def attached_images() -> str:
    """What loop devices hold."""
    return subprocess.run(["losetup", "-a"], check=True, capture_output=True, text=True).stdout


@pytest.mark.rig
def test_dd_sees_the_limit(rig: None) -> None:
    """On a limit of 120 MB/s the device takes in 120 MB/s, within 4 %, and dd and the rig agree.

    The middle of its stretches of two seconds counts: where the machine stands still, so does the drive.
    """
    with loop_drive(Curve.flat(120 * MB), size_bytes=1 << 30) as drive:
        rate = dd(drive.mount / "f", 720 * MB)
        witnessed = drive.witnessed_bytes_per_s(0, 720 * MB)
        stretches = drive.witnessed_windows_bytes_per_s(720 * MB, window_s=2.0)

    assert median(stretches) == pytest.approx(120 * MB, rel=0.04)
    assert 0.75 * 120 * MB < rate < 1.04 * 120 * MB
    assert witnessed == pytest.approx(rate, rel=0.02)


@pytest.mark.rig
def test_the_limit_changes_at_the_cliffs_byte(rig: None) -> None:
    """The supervisor lowers the limit within 3 % of the byte it was told."""
    with loop_drive(
        Curve.cliff(fast=300 * MB, at_bytes=300 * MB, slow=100 * MB), size_bytes=1 << 30
    ) as drive:
        dd(drive.mount / "f", 400 * MB)
        changes = [event for event in drive.truth() if event["event"] == "limit"]

    assert [change["bytes_per_s"] for change in changes] == [300 * MB, 100 * MB]
    assert changes[1]["at_bytes"] == pytest.approx(300 * MB, rel=0.03)


@pytest.mark.rig
def test_a_new_curve_is_in_force_at_once(rig: None) -> None:
    """Setting another curve on a running drive returns when it holds."""
    with loop_drive(Curve.flat(20 * MB), size_bytes=512 << 20) as drive:
        drive.set_curve(Curve.flat(0))

        assert dd(drive.mount / "f", 200 * MB) > 100 * MB


@pytest.mark.rig
def test_a_killed_owner_leaves_no_rig(rig: None) -> None:
    """After SIGKILL of the process that set it up, device, mount, limit and files are gone within seconds."""
    script = (
        "import time; from tests.rigs.curve import Curve; from tests.rigs.loop_drive import loop_drive\n"
        "with loop_drive(Curve.flat(50_000_000), size_bytes=256 << 20) as drive:\n"
        "    print(drive.image, flush=True); time.sleep(60)"
    )
    owner = subprocess.Popen([sys.executable, "-c", script], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert owner.stdout is not None
    image = Path(owner.stdout.readline().strip())

    assert str(image) in attached_images()

    os.kill(owner.pid, signal.SIGKILL)
    owner.wait(timeout=20)
    owner.stdout.close()
    deadline = time.monotonic() + 10
    while (image.exists() or str(image) in attached_images()) and time.monotonic() < deadline:
        time.sleep(0.05)

    assert not image.exists()
    assert str(image) not in attached_images()
    assert str(image.parent) not in Path("/proc/self/mounts").read_text()


@pytest.mark.nbd
def test_the_nbd_drive_paces_and_fails_as_told(nbd_rig: None) -> None:
    """Dd meets the rate within 3 %, and then the error on demand."""
    with nbd_drive(size_bytes=512 << 20) as drive:
        drive.behave(Curve.flat(100 * MB))
        rate = dd(drive.mount / "f", 300 * MB)
        drive.behave(fail_after_bytes=0, fail_errno="EIO")
        refused = subprocess.run(
            ["dd", "if=/dev/zero", f"of={drive.mount}/f", "bs=4M", "count=4", "oflag=direct", "conv=notrunc"],
            check=False,
            capture_output=True,
            text=True,
            env={"LC_ALL": "C", "PATH": "/usr/bin:/bin"},
        )

    assert rate == pytest.approx(100 * MB, rel=0.03)
    assert refused.returncode == 1
    assert "Input/output error" in refused.stderr


def test_a_curve_survives_the_way_to_another_process() -> None:
    """A curve read back from its text is the same curve."""
    curve = Curve(
        steps=(Step(at_bytes=0, bytes_per_s=3), Step(at_bytes=9, bytes_per_s=1)),
        stall_every_s=1.5,
        stall_for_s=0.5,
        rest_s=2.0,
    )

    assert Curve.from_json(curve.to_json()) == curve


def test_a_slide_begins_and_ends_where_it_was_told() -> None:
    """A slide's first step has its first rate, its last step its last."""
    slide = Curve.slide(start=200, end=80, over_bytes=4000)

    assert slide.rate_at(0) == 200
    assert slide.rate_at(4000) == 80
