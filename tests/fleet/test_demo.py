"""The demonstration as a person meets it: run whole and cut short, what it says and what it leaves."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest

from tests.rigs.fixtures import rig  # noqa: F401 - a fixture

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 600


@dataclass(frozen=True)
class Traces:
    """What a run of the demonstration could leave behind."""

    folders: frozenset[str]
    mounts: frozenset[str]
    loops: frozenset[str]
    processes: frozenset[int]


def traces() -> Traces:
    """Look for folders, mounts, loop devices and processes of a demonstration."""
    folders = {str(p) for p in Path("/var/tmp").glob("ebbmark-demo-*")}
    mounts = {
        line.split()[1] for line in Path("/proc/mounts").read_text().splitlines() if "ebbmark-rig" in line
    }
    loops = {
        p.parent.parent.name
        for p in Path("/sys/block").glob("loop*/loop/backing_file")
        if "ebbmark-rig" in p.read_text()
    }
    processes = {
        p.pid
        for p in psutil.process_iter(["cmdline"])
        if any("ebbmark-demo-" in word for word in p.info["cmdline"] or ())
    }
    return Traces(frozenset(folders), frozenset(mounts), frozenset(loops), frozenset(processes))


@pytest.fixture
def nothing_left() -> Iterator[None]:
    """Compare the folders and processes that are there before and after."""
    before = traces()
    yield
    after = traces()
    assert not after.folders - before.folders
    assert not after.processes - before.processes


@pytest.fixture
def no_drive_left(rig: None) -> Iterator[None]:  # noqa: F811 - the fixture
    """Compare mounts and loop devices too, while no other rig is being driven."""
    before = traces()
    yield
    after = traces()
    assert not after.mounts - before.mounts
    assert not after.loops - before.loops


def demo(*options: str) -> "subprocess.Popen[str]":
    """Start the demonstration."""
    return subprocess.Popen(
        [sys.executable, "-m", "sample_fleet", "demo", *options],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


@pytest.mark.proof
@pytest.mark.rig
@pytest.mark.skipif(sys.platform != "linux", reason="loop devices are Linux's")
def test_the_demonstration_finds_the_set_floor_and_leaves_nothing_behind(
    no_drive_left: None, nothing_left: None
) -> None:
    """On a drive set to fall from 400 to 60 MB/s at 1.5 GB the agent finds both, and the drive is unfit."""
    with demo("--once") as running:
        said, complained = running.communicate(timeout=PATIENCE_S)

    assert running.returncode == 0, complained
    found = re.search(r"floor (\d+) MB/s, a step down at (\d+\.\d+) GB", said)
    assert found, said
    assert abs(int(found[1]) - 60) <= 2  # the floor within 3 % of what the kernel was told
    assert abs(float(found[2]) - 1.5) <= 0.045  # the cliff within 3 %
    assert "read back the same" in said
    assert re.search(r"DEMO-1 +\S+ +demo-recorder +unfit", said)
    assert "5. Open alerts and why" in said
    assert "curl -s -H" in said


@pytest.mark.proof
@pytest.mark.skipif(sys.platform != "linux", reason="looks for leftovers in /proc")
def test_without_a_drive_of_its_own_it_says_so_and_probes_a_folder(nothing_left: None) -> None:
    """An ordinary folder is probed by hand, and the collector shows it."""
    with demo("--once", "--folder") as running:
        said, complained = running.communicate(timeout=PATIENCE_S)

    assert running.returncode == 0, complained
    assert "an ordinary folder of this machine is probed" in said.replace("\n ", "")
    assert "The agent wrote 0.50 GB" in said
    assert "DEMO-1" in said


@pytest.mark.proof
@pytest.mark.skipif(sys.platform != "linux", reason="looks for leftovers in /proc")
@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_stopped_in_the_middle_it_leaves_nothing_behind(nothing_left: None, end: signal.Signals) -> None:
    """Told to end as soon as its collector serves, it cleans up and says so."""
    with demo("--once", "--folder") as running:
        assert running.stdout is not None
        for line in running.stdout:
            if line.startswith("2."):
                running.send_signal(end)
                break
        running.communicate(timeout=PATIENCE_S)

    assert running.returncode == 130
