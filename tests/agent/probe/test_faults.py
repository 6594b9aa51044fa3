"""What goes wrong in mid-write is a finding about the drive, told as the kernel told it; nothing is left."""

import errno
import gc
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from ebbmark_agent.errors import VolumeFullError, VolumeReadOnlyError
from ebbmark_agent.probe import Phase, Progress
from ebbmark_agent.probe.ended import fault_of
from ebbmark_agent.report import DiscardState, FileLayout, ProbeOutcome

from tests.rigs.curve import Curve
from tests.rigs.loop_drive import ROOT, drop_page_cache, loop_drive, shut_down_ext4
from tests.rigs.nbd_drive import nbd_drive
from tests.rigs.probing import probe_drive, traces_of

MB = 1_000_000


def descriptors() -> set[str]:
    """What this process has open on files."""
    found = set()
    for entry in Path("/proc/self/fd").iterdir():
        try:
            found.add(str(entry.readlink()))
        except FileNotFoundError:
            continue
    return {name for name in found if name.startswith("/") and "rig-" in name}


@pytest.mark.parametrize(
    ("number", "name", "said"),
    [
        (errno.ENODATA, "ENODATA", "medium error"),
        (errno.ENODEV, "ENODEV", "went away"),
        (errno.EIO, "EIO", "input/output error"),
        (errno.ENOTCONN, "ENOTCONN", "went away"),
        (errno.EROFS, "EROFS", "read-only"),
        (errno.ENOSPC, "ENOSPC", "no space"),
    ],
)
def test_each_refusal_has_its_own_sentence(number: int, name: str, said: str) -> None:
    """What kernels really say in mid-write is told apart and told with its place."""
    fault = fault_of(OSError(number, "x"), operation="write", at_byte=8192).fault

    assert fault.errno_name == name
    assert said in fault.sentence
    assert fault.at_byte == 8192


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_volume_filled_by_others_is_no_fault_of_the_drive() -> None:
    """Somebody's file takes the last room in mid-write: the probe ends there, and the drive is not blamed."""

    def fill(progress: Progress) -> None:
        if not filled.exists() and progress.done_bytes > 20 * MB:
            with filled.open("wb") as clip:
                room = os.statvfs(drive.mount)
                os.posix_fallocate(clip.fileno(), 0, room.f_bavail * room.f_frsize - (1 << 20))

    with loop_drive(Curve.flat(60 * MB), size_bytes=512 << 20) as drive:
        filled = drive.mount / "clip"
        result = probe_drive(
            drive,
            max_bytes=300 * MB,
            layout=FileLayout.APPENDED,
            running={"progress": fill, "watch": None},
        )
        left = [path.name for path in drive.mount.iterdir()]

    assert result.outcome is ProbeOutcome.FAILED
    assert result.fault is not None
    assert result.fault.errno_name == "ENOSPC"
    assert not result.fault.of_drive
    assert "others filled the volume" in result.fault.sentence
    assert result.drive_fault is None
    assert sorted(left) == ["clip", "lost+found"]


@pytest.mark.nbd
@pytest.mark.usefixtures("nbd_rig")
@pytest.mark.parametrize("name", ["EIO", "ENOSPC"])
def test_an_error_in_mid_write_is_a_finding(name: str) -> None:
    """A drive that refuses from a byte on: the fault names error and place, the trace up to there is kept."""
    with nbd_drive(size_bytes=512 << 20) as drive:
        drive.behave(Curve.flat(200 * MB), fail_after_bytes=150 * MB, fail_errno=name)
        result = probe_drive(drive.loop, max_bytes=300 * MB)
        left_open = descriptors()

    assert result.outcome is ProbeOutcome.FAILED
    assert result.fault is not None
    assert result.fault.errno_name == name
    assert result.fault.of_drive  # no space left on a volume that shows room is the drive's own word
    # The rig fails by all bytes it was sent; the file system's own are a few megabytes of them.
    assert 140 * MB <= result.fault.at_byte <= 150 * MB
    assert result.fault.at_byte - (4 << 20) < result.bytes_written <= result.fault.at_byte
    assert traces_of(result)[0].written_bytes == result.bytes_written
    assert result.read_back_ok is None
    assert result.discard is DiscardState.NOT_POSSIBLE
    assert not left_open


@pytest.mark.nbd
@pytest.mark.usefixtures("nbd_rig")
def test_a_drive_pulled_in_mid_write_is_a_finding() -> None:
    """When what serves the drive is killed, the probe ends at once with what it had, and does not hang."""
    with nbd_drive(size_bytes=512 << 20) as drive:
        drive.behave(Curve.flat(100 * MB))

        def pull(progress: Progress) -> None:
            if progress.done_bytes > 30 * MB and drive.server.poll() is None:
                drive.kill()

        result = probe_drive(drive.loop, max_bytes=400 * MB, running={"progress": pull})

    assert result.outcome is ProbeOutcome.FAILED
    assert result.fault is not None
    assert result.fault.errno_name in {"EIO", "ENOTCONN", "ENODEV", "EROFS"}
    assert 20 * MB < result.bytes_written < 400 * MB


@pytest.mark.nbd
@pytest.mark.usefixtures("nbd_rig")
def test_an_error_on_reading_back_is_a_finding() -> None:
    """A drive that takes everything and cannot give it back fails, with its whole trace kept."""

    def fail_reads(progress: Progress) -> None:
        if progress.phase is Phase.READING_BACK:
            drive.behave(fail_reads=True)

    with nbd_drive(size_bytes=512 << 20) as drive:
        result = probe_drive(drive.loop, max_bytes=200 * MB, running={"progress": fail_reads})

    assert result.outcome is ProbeOutcome.FAILED
    assert result.fault is not None
    assert result.fault.operation == "read"
    assert traces_of(result)[0].written_bytes == result.bytes_written
    assert result.bytes_written == 200 * MB // 4096 * 4096


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
@pytest.mark.parametrize("pulled_after_s", [0.5])
def test_a_file_system_that_gives_up_is_a_finding(pulled_after_s: float) -> None:
    """An ext4 that is shut down under the writer, though its mount stays listed, ends the probe as failed."""
    with loop_drive(Curve.flat(100 * MB), size_bytes=1 << 30) as drive:
        ended = threading.Timer(pulled_after_s, shut_down_ext4, args=(drive.mount,))
        ended.start()
        result = probe_drive(drive, max_bytes=300 * MB)
        ended.join(timeout=20)

        assert os.path.ismount(drive.mount)

    assert result.outcome is ProbeOutcome.FAILED
    assert result.fault is not None
    assert result.fault.errno_name in {"EIO", "EROFS"}


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_wrong_byte_is_found_where_it_is() -> None:
    """One byte changed in the drive's image between write and read-back is found at its very place."""
    marks: dict[str, int] = {}

    def corrupt(progress: Progress) -> None:
        if progress.phase is Phase.READING_BACK and not marks:
            marks["at"] = corrupted_byte(drive.image, drive.mount)

    with loop_drive(Curve.flat(0), size_bytes=1 << 30) as drive:
        watch_size = 256 * MB
        result = probe_drive(drive, max_bytes=watch_size, running={"progress": corrupt})

    assert marks
    assert result.outcome is ProbeOutcome.COMPLETED
    assert result.read_back_ok is False
    assert result.read_back_bad_at_byte is not None
    assert result.read_back_bad_at_byte % (64 << 20) == marks["at"] % (64 << 20)


def corrupted_byte(image: Path, mount: Path) -> int:
    """Change one byte of the open, unnamed probe file by way of the image behind the drive.

    The file is found through this process's own descriptors; where it lies, the file system says.
    """
    from ebbmark_agent.platforms.linux import LinuxFile

    for entry in Path("/proc/self/fd").iterdir():
        if str(mount) in str(entry.readlink()):
            place = LinuxFile(os.dup(int(entry.name)), unnamed=True)
            extents = place.extents()
            place.close()
            at = max(extents, key=lambda extent: extent.length_bytes)
            target = at.at_bytes + at.length_bytes // 2 + 1234
            with image.open("r+b", buffering=0) as raw:
                raw.seek(target)
                before = raw.read(1)
                raw.seek(target)
                raw.write(bytes([before[0] ^ 0x40]))
                os.fsync(raw.fileno())
            drop_page_cache(image)
            return sum(e.length_bytes for e in extents[: extents.index(at)]) + at.length_bytes // 2 + 1234
    raise AssertionError("the probe's file is not open")


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
@pytest.mark.parametrize("layout", [FileLayout.PREALLOCATED, FileLayout.APPENDED])
def test_a_killed_probe_leaves_nothing(layout: FileLayout) -> None:
    """After SIGKILL in mid-write no file of the probe is there, and the space is back."""
    script = (
        "import sys; from pathlib import Path; from tests.rigs.probing import request_on; "
        "from ebbmark_agent.platforms import this_platform; from ebbmark_agent.probe import run_probe; "
        "from ebbmark_agent.report import FileLayout\n"
        "run_probe(request_on(Path(sys.argv[1]), max_bytes=500_000_000, layout=FileLayout(sys.argv[2])), "
        "platform=this_platform(), progress=lambda told: print(told.done_bytes, flush=True))"
    )
    with loop_drive(Curve.flat(100 * MB), size_bytes=1 << 30) as drive:
        free_before = os.statvfs(drive.mount).f_bfree
        files_before = sorted(drive.mount.rglob("*"))
        child = subprocess.Popen(
            [sys.executable, "-c", script, str(drive.mount), layout],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        told = next((line for line in child.stdout if int(line) >= 50 * MB), None)
        child.send_signal(signal.SIGKILL)
        child.wait(timeout=30)
        assert told is not None, "the probe ended before it had written 50 MB"
        child.stdout.close()
        subprocess.run(["sync", "-f", str(drive.mount)], check=True)

        assert sorted(drive.mount.rglob("*")) == files_before
        assert os.statvfs(drive.mount).f_bfree >= free_before - 100


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_full_volume_is_refused_before_the_first_byte() -> None:
    """No room is an error with its figures, not a finding about the drive."""
    with loop_drive(Curve.flat(0), size_bytes=256 << 20) as drive:
        with (drive.mount / "clip").open("wb") as clip:
            room = os.statvfs(drive.mount)
            os.posix_fallocate(clip.fileno(), 0, room.f_bavail * room.f_frsize - (12 << 20))

        with pytest.raises(VolumeFullError, match="GB free"):
            probe_drive(drive)


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_read_only_volume_is_refused() -> None:
    """A volume mounted for reading is an error that says so."""
    with loop_drive(Curve.flat(0), size_bytes=256 << 20) as drive:
        subprocess.run(["mount", "-o", "remount,ro", str(drive.mount)], check=True)

        with pytest.raises(VolumeReadOnlyError):
            probe_drive(drive, max_bytes=16 * MB)


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
@pytest.mark.parametrize("file_system", ["xfs", "btrfs"])
def test_other_file_systems_work_alike(file_system: str) -> None:
    """On xfs and btrfs a probe completes, reads back right and gives its space back."""
    import shutil

    if shutil.which(f"mkfs.{file_system}") is None:
        pytest.skip(f"mkfs.{file_system} is not installed")
    with loop_drive(Curve.flat(0), size_bytes=2 << 30, file_system=file_system) as drive:
        result = probe_drive(drive, max_bytes=200 * MB, file_system=file_system, running={"watch": None})

    assert result.outcome is ProbeOutcome.COMPLETED
    assert result.read_back_ok
    assert result.space_returned


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_descriptors_do_not_leak() -> None:
    """Twenty probes later this process has no more descriptors than before."""
    with loop_drive(Curve.flat(0), size_bytes=512 << 20) as drive:
        probe_drive(drive, max_bytes=8 * MB)
        gc.collect()  # what other tests left to the collector is not counted here
        before = len(list(Path("/proc/self/fd").iterdir()))
        for _ in range(20):
            probe_drive(drive, max_bytes=8 * MB)

        assert len(list(Path("/proc/self/fd").iterdir())) <= before


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_discard_is_proven_by_the_disks_own_count() -> None:
    """On a drive that takes discards, the disk counts the probe's blocks; a clip beside them is unharmed."""
    with loop_drive(Curve.flat(0), size_bytes=1 << 30) as drive:
        clip = drive.mount / "clip"
        clip.write_bytes(os.urandom(20 * MB))
        recorded = clip.read_bytes()
        before = discarded(drive.name)
        result = probe_drive(drive, max_bytes=200 * MB)
        counted = discarded(drive.name) - before
        os.sync()
        drop_page_cache(clip)

        assert clip.read_bytes() == recorded

    assert result.discard is DiscardState.PROVEN
    # ext4 discards the whole free stretch that holds the probe's end, so it may be more than was asked for.
    assert counted >= 0.95 * 200 * MB


def discarded(name: str) -> int:
    """Give the bytes a disk counts as discarded."""
    return int(Path(f"/sys/block/{name}/stat").read_text().split()[13]) * 512


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_space_that_does_not_come_back_is_noticed() -> None:
    """When something holds on to the space, as snapshots do, the result says so."""
    taken: list[str] = []

    def hold_space(progress: Progress) -> None:
        """Stand in for a snapshot: as much space as the probe will free goes elsewhere."""
        if progress.phase is Phase.READING_BACK and not taken:
            with (drive.mount / "held").open("wb") as held:
                os.posix_fallocate(held.fileno(), 0, 300 * MB)
            taken.append("held")

    with loop_drive(Curve.flat(0), size_bytes=1 << 30) as drive:
        result = probe_drive(drive, max_bytes=200 * MB, running={"progress": hold_space, "watch": None})

    assert taken
    assert result.space_returned is False
