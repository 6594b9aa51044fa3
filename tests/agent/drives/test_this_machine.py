"""The inventory of the machine the tests run on, held to util-linux and to real mounts of a loop device."""

import json
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from ebbmark_agent.drives import scan, volume_of
from ebbmark_agent.report import Bus, IdentityConfidence

from tests.rigs.lock import rig_lock

MANY = 400 * 2**20  # [bytes] enough for every file system used here
Run = Callable[..., str]


def test_drives_are_those_lsblk_names() -> None:
    """Every disk lsblk names with a size is in the inventory, and no other but loop devices.

    Source: lsblk(8) of util-linux.
    """
    if shutil.which("lsblk") is None:
        pytest.skip("lsblk is not installed")
    listed = json.loads(
        subprocess.run(
            ["lsblk", "--json", "--bytes", "--nodeps", "--output", "NAME,TYPE,SIZE"],
            check=True,
            capture_output=True,
        ).stdout
    )["blockdevices"]
    memory = ("zram", "ram", "nbd")
    disks = {
        disk["name"]: int(disk["size"] or 0)
        for disk in listed
        if disk["type"] == "disk" and not disk["name"].startswith(memory)
    }
    found = {
        drive.kernel_name: drive.facts.capacity_bytes
        for drive in scan().drives
        if drive.facts.path.bus is not Bus.LOOP
    }

    assert {name: size for name, size in disks.items() if size} == found


def test_room_is_the_systems(tmp_path: Path) -> None:
    """The volume of a folder has the size the system gives for it."""
    volume, _ = volume_of(tmp_path)
    told = os.statvfs(tmp_path)

    assert volume.facts.size_bytes == told.f_blocks * told.f_frsize


def test_scan_needs_no_right_and_changes_nothing(tmp_path: Path) -> None:
    """Two scans in a row find the same drives and volumes under the same names."""
    first, second = scan(), scan()

    assert [drive.key for drive in first.drives] == [drive.key for drive in second.drives]
    assert [v.facts.volume_id for v in first.volumes] == [v.facts.volume_id for v in second.volumes]


@pytest.fixture
def run() -> Iterator[Run]:
    """Run a program as root with the rig lock held; what was mounted is unmounted and detached at the end."""
    if os.geteuid() != 0:
        pytest.skip("attaching a loop device needs root")
    if not Path("/dev/loop-control").exists():
        pytest.skip("this kernel offers no loop devices (/dev/loop-control is missing)")
    undo: list[list[str]] = []

    def run_program(*argv: str, then: list[str] | None = None) -> str:
        done = subprocess.run(argv, check=True, capture_output=True, text=True)
        if then is not None:
            undo.append(then)
        return done.stdout.strip()

    with rig_lock():
        yield run_program
        for argv in reversed(undo):
            subprocess.run(argv, check=True, capture_output=True)


@pytest.fixture
def loop(run: Run, tmp_path: Path) -> Callable[..., str]:
    """Make a loop device over a new file and give its device file."""

    def attach(name: str) -> str:
        image = tmp_path / f"{name}.img"
        with image.open("wb") as file:
            file.truncate(MANY)
        device = run("losetup", "--find", "--show", str(image))
        # Detaching is part of the undoing, in its turn.
        run("true", then=["losetup", "--detach", device])
        return device

    return attach


def _mounted(run: Run, device: str, point: Path, *options: str) -> Path:
    point.mkdir(exist_ok=True)
    run("mount", *options, device, str(point), then=["umount", str(point)])
    return point


@pytest.mark.rig
def test_loop_device_is_a_drive_on_a_drive(run: Run, loop: Callable[[str], str], tmp_path: Path) -> None:
    """A mounted loop device is a fixed drive of its own that tells which drive its file lies on."""
    device = loop("a")
    run("mkfs.ext4", "-q", device)
    point = _mounted(run, device, tmp_path / "a")
    volume, inventory = volume_of(point)
    (drive,) = inventory.members(volume)
    below, _ = volume_of(tmp_path)

    assert (drive.device, drive.facts.removable, drive.facts.capacity_bytes) == (device, False, MANY)
    assert drive.facts.identity.confidence is IdentityConfidence.OWN
    assert drive.lies_on == below.facts.member_refs
    assert volume.probeable


@pytest.mark.rig
def test_real_bind_mount_collapses(run: Run, loop: Callable[[str], str], tmp_path: Path) -> None:
    """A folder bound to another place belongs to the volume behind it."""
    device = loop("a")
    run("mkfs.xfs", "-q", device)
    point = _mounted(run, device, tmp_path / "a")
    (point / "clips").mkdir()
    bound = tmp_path / "bound"
    bound.mkdir()
    run("mount", "--bind", str(point / "clips"), str(bound), then=["umount", str(bound)])
    volume, _ = volume_of(bound)

    assert (volume.mount_point, volume.device) == (str(point), device)


@pytest.mark.rig
def test_real_read_only_mount(run: Run, loop: Callable[[str], str], tmp_path: Path) -> None:
    """A volume remounted read-only is read-only, and so is one its file system has given up on."""
    device = loop("a")
    run("mkfs.ext4", "-q", device)
    point = _mounted(run, device, tmp_path / "a")
    before, _ = volume_of(point)
    run("mount", "-o", "remount,abort", str(point))
    after, _ = volume_of(point)

    assert (before.facts.read_only, after.facts.read_only) == (False, True)


@pytest.mark.rig
def test_real_partitions(run: Run, loop: Callable[[str], str], tmp_path: Path) -> None:
    """A file system on a partition of a loop device lies on that loop device."""
    device = loop("a")
    # The kernel is told of the partition directly: not every kernel reads partition tables.
    run("addpart", device, "1", "2048", str(MANY // 512 - 2048), then=["delpart", device, "1"])
    run("mkfs.ext4", "-q", f"{device}p1")
    point = _mounted(run, f"{device}p1", tmp_path / "a")
    volume, inventory = volume_of(point)

    assert [drive.device for drive in inventory.members(volume)] == [device]


@pytest.mark.rig
def test_real_btrfs_over_two_drives(run: Run, loop: Callable[[str], str], tmp_path: Path) -> None:
    """A btrfs over two devices is uncertain with both named; over one device it is certain."""
    first, second, alone = loop("a"), loop("b"), loop("c")
    run("mkfs.btrfs", "-q", "-d", "raid0", first, second)
    run("mkfs.btrfs", "-q", alone)
    pair, _ = volume_of(_mounted(run, first, tmp_path / "pair"))
    single, _ = volume_of(_mounted(run, alone, tmp_path / "single"))

    assert not pair.probeable
    assert set(pair.facts.member_refs) == {Path(first).name, Path(second).name}
    assert (single.probeable, single.facts.member_refs) == (True, (Path(alone).name,))


@pytest.mark.rig
def test_real_subvolumes_are_one_volume(run: Run, loop: Callable[[str], str], tmp_path: Path) -> None:
    """Two subvolumes of one btrfs, mounted apart, are one volume."""
    device = loop("a")
    run("mkfs.btrfs", "-q", device)
    point = _mounted(run, device, tmp_path / "a")
    run("btrfs", "subvolume", "create", str(point / "sub"))
    inner = _mounted(run, device, tmp_path / "sub", "-o", "subvol=sub")
    volume, inventory = volume_of(inner)

    assert [v.device for v in inventory.volumes].count(device) == 1
    assert volume.facts.member_refs == (Path(device).name,)


@pytest.mark.rig
def test_real_overlay_is_uncertain(run: Run, tmp_path: Path) -> None:
    """An overlay is uncertain and not probed."""
    for part in ("lower", "upper", "work", "merged"):
        (tmp_path / part).mkdir()
    options = f"lowerdir={tmp_path}/lower,upperdir={tmp_path}/upper,workdir={tmp_path}/work"
    merged = tmp_path / "merged"
    try:
        run("mount", "-t", "overlay", "overlay", "-o", options, str(merged), then=["umount", str(merged)])
    except subprocess.CalledProcessError as refusal:
        pytest.skip(f"no overlay can be mounted here: {refusal.stderr}")
    volume, _ = volume_of(merged)

    assert not volume.probeable
