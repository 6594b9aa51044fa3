"""The stand-in drive on a machine with cgroup version 2, where the throttle is io.max of a child group."""

import io
import tarfile
from pathlib import Path

import pytest

from tests.rigs.guest import run_guest
from tests.rigs.loop_drive import ROOT

pytestmark = pytest.mark.vm

SCRIPT = r"""
import json, mmap, os, pathlib, subprocess, time
from tests.rigs.curve import Curve
from tests.rigs.loop_drive import loop_drive
from tests.rigs.throttle import throttled_group

MB = 1_000_000
home = pathlib.Path("/proc/self/cgroup").read_text()
told = {}
with loop_drive(Curve.cliff(fast=60 * MB, at_bytes=120 * MB, slow=20 * MB), size_bytes=512 << 20) as drive:
    with throttled_group() as knob:
        told["version"] = knob.version
    rates = []
    block = mmap.mmap(-1, 1 << 20)
    for name in ("before", "beyond"):
        file = os.open(drive.mount / name, os.O_CREAT | os.O_WRONLY | os.O_DIRECT, 0o600)
        begin = time.monotonic()
        written = sum(os.write(file, block) for _ in range(96))
        rates.append(written / (time.monotonic() - begin))
        os.close(file)
    told["rates"] = rates
    told["limits"] = [event for event in drive.truth() if event["event"] == "limit"]
told["home_again"] = pathlib.Path("/proc/self/cgroup").read_text() == home
told["groups_left"] = [path.name for path in pathlib.Path("/sys/fs/cgroup").glob("ebbmark-*")]
told["loops_left"] = subprocess.run(["losetup", "-a"], capture_output=True, text=True).stdout
pathlib.Path("throttle.json").write_text(json.dumps(told))
"""

JOB = r"""
modprobe loop 2>/dev/null; modprobe nvme 2>/dev/null
ls /sys/fs/cgroup/cgroup.controllers >/dev/null 2>&1 || mount -t cgroup2 cgroup2 /sys/fs/cgroup
mkfs.ext4 -q -F -E nodiscard,lazy_itable_init=1 /dev/nvme0n1 && mount /dev/nvme0n1 /var/tmp
tar -C /root -xf rigs.tar
echo "== throttle"
PYTHONPATH=/root python throttle.py; echo rc $?
"""


def rigs() -> bytes:
    """Pack this project's rigs for the guest."""
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        tar.add(ROOT / "tests" / "__init__.py", "tests/__init__.py")
        for path in sorted((ROOT / "tests" / "rigs").glob("*.py")):
            tar.add(path, f"tests/rigs/{path.name}")
    return packed.getvalue()


@pytest.mark.usefixtures("guest")
def test_version_two_throttles_alike(tmp_path: Path) -> None:
    """The fast limit holds before the cliff and the slow one after it; nothing is left behind.

    The first 96 MiB lie before the cliff at 120 MB; of the second, 81 MB lie beyond it. A limit is never
    passed by more than a tenth; how far below it an emulated processor stays is the host's affair, so the
    first stretch need only be faster than the slow limit could ever let it be, and the second slower by far.
    """
    run = run_guest(tmp_path, JOB, files={"rigs.tar": rigs(), "throttle.py": SCRIPT.encode()})

    assert "rc 0" in run.section("throttle"), run.output
    told = run.document("throttle.json")

    assert told["version"] == 2
    before, beyond = told["rates"]
    assert 26e6 <= before <= 66e6
    assert 8e6 <= beyond <= min(28e6, before / 1.3)
    assert [event["bytes_per_s"] for event in told["limits"]] == [60_000_000, 20_000_000]
    assert told["home_again"]
    assert told["groups_left"] == []
    assert "ebbmark-rig" not in told["loops_left"]
