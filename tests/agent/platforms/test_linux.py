"""The Linux side of the port, on real files and on recorded texts of our own making."""

import fcntl
import os
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from ebbmark_agent.errors import UnbufferedIoUnsupportedError
from ebbmark_agent.platforms import PROBE_FOLDER, DiskCounters, OpenWriter, linux

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="these are Linux calls")


def test_a_probe_file_has_no_name(tmp_path: Path) -> None:
    """Where the file system knows unnamed files, nothing shows in the folder while one is open."""
    file = linux.create_probe_file(tmp_path)
    try:
        assert file.unnamed
        assert list(tmp_path.iterdir()) == []
    finally:
        file.close()


def test_a_probe_file_goes_past_the_cache(tmp_path: Path) -> None:
    """The kernel says of the open file that it is unbuffered."""
    file = linux.create_probe_file(tmp_path)
    try:
        assert fcntl.fcntl(file.fileno(), fcntl.F_GETFL) & os.O_DIRECT
    finally:
        file.close()


def test_a_copys_file_goes_through_the_cache(tmp_path: Path) -> None:
    """Only where asked for is a probe file cached."""
    file = linux.create_probe_file(tmp_path, cached=True)
    try:
        assert not fcntl.fcntl(file.fileno(), fcntl.F_GETFL) & os.O_DIRECT
    finally:
        file.close()


def test_layout_reserves_the_space_without_writing(tmp_path: Path) -> None:
    """After laying out, the file system counts the blocks as used and the file has its full length."""
    file = linux.create_probe_file(tmp_path)
    try:
        assert file.preallocate(8 << 20)
        found = os.fstat(file.fileno())

        assert found.st_size == 8 << 20
        assert found.st_blocks * 512 >= 8 << 20
    finally:
        file.close()


@pytest.mark.skipif(not Path("/dev/shm").is_dir(), reason="no memory file system is mounted")
def test_where_no_extents_are_told_there_are_none() -> None:
    """A file system in memory lies nowhere, and nothing is made up."""
    with_name = Path("/dev/shm") / f"ebbmark-{os.getpid()}"
    with_name.write_bytes(b"x" * 4096)
    file = linux.LinuxFile(os.open(with_name, os.O_RDONLY), unnamed=False)
    try:
        assert file.extents() == ()
    finally:
        file.close()
        with_name.unlink()


def test_proc_offers_no_unbuffered_writes() -> None:
    """A file system that is none is refused with its name, and never measured through the cache."""
    with pytest.raises((UnbufferedIoUnsupportedError, PermissionError, FileNotFoundError)):
        linux.create_probe_file(Path("/proc"))


def test_leftovers_of_a_kill_are_removed(tmp_path: Path) -> None:
    """What a killed probe may have left goes, with its folder; what is not ours stays."""
    place = tmp_path / PROBE_FOLDER
    place.mkdir()
    (place / "probe-00ff").write_bytes(b"")
    (place / ".fuse_hidden0001").write_bytes(b"x")
    (place / "CACHEDIR.TAG").write_bytes(b"Signature: 8a477f597d28d172789f06886806bc55\n")
    (tmp_path / "clip.mov").write_bytes(b"y")

    assert linux.clear_leftovers(tmp_path) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["clip.mov"]


def test_a_strangers_file_in_the_probe_folder_stays(tmp_path: Path) -> None:
    """A file whose name this program never gives is left alone, and so is the folder."""
    place = tmp_path / PROBE_FOLDER
    place.mkdir()
    (place / "A001_C003.mov").write_bytes(b"z")

    assert linux.clear_leftovers(tmp_path) == 0
    assert (place / "A001_C003.mov").exists()


def test_a_link_instead_of_the_probe_folder_is_not_followed(tmp_path: Path) -> None:
    """A link by that name leads nowhere: nothing behind it is removed."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "probe-1").write_bytes(b"")
    (tmp_path / PROBE_FOLDER).symlink_to(elsewhere)

    assert linux.clear_leftovers(tmp_path) == 0
    assert (elsewhere / "probe-1").exists()


def test_counters_are_read_by_the_kernels_table() -> None:
    """Sectors of 512 bytes, milliseconds, in flight: by field number as in the kernel's stat.rst."""
    text = b"  100 2 2000 30 400 5 8000 60 3 70 90 6 0 1024 8 9 10\n"

    assert linux.parse_stat(text, at_s=7.5) == DiskCounters(
        at_s=7.5,
        read_bytes=2000 * 512,
        written_bytes=8000 * 512,
        discarded_bytes=1024 * 512,
        in_flight=3,
        busy_s=0.07,
        write_requests=400,
    )


def test_an_old_kernel_counts_no_discards() -> None:
    """Before 4.18 the table ends early: unknown, not zero."""
    counters = linux.parse_stat(b"100 2 2000 30 400 5 8000 60 3 70 90", at_s=0.0)

    assert counters is not None
    assert counters.discarded_bytes is None


def test_no_such_disk_has_no_counters() -> None:
    """A disk that is gone has no counters rather than zeros."""
    assert linux.disk_counters("nosuch0") is None


def test_another_process_that_writes_is_named(tmp_path: Path) -> None:
    """A process holding a file open for writing on the volume is found; one that only reads is not."""
    script = (
        "import sys, time; held = open(sys.argv[1], sys.argv[2]); print('open', flush=True); time.sleep(60)"
    )
    (tmp_path / "clip").write_bytes(b"x")
    children = [
        subprocess.Popen(
            [sys.executable, "-c", script, str(tmp_path / "clip"), mode],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # the test runner's own may lie on this very volume
            text=True,
        )
        for mode in ("ab", "rb")
    ]
    try:
        for child in children:
            assert child.stdout is not None
            child.stdout.readline()
        found = linux.open_writers(tmp_path) or ()
        pids = {writer.pid for writer in found}
    finally:
        for child in children:
            child.kill()
            child.wait()
            assert child.stdout is not None
            child.stdout.close()

    assert children[0].pid in pids
    assert children[1].pid not in pids
    assert os.getpid() not in pids
    assert all(isinstance(writer, OpenWriter) and writer.program for writer in found)


def test_reading_leaves_a_clip_as_it_is(tmp_path: Path) -> None:
    """Opening a clip for reading changes neither its data nor its times, and closing it leaves it there."""
    clip = tmp_path / "clip"
    clip.write_bytes(os.urandom(1 << 20))
    before = (clip.stat().st_mtime_ns, clip.stat().st_atime_ns, zlib.crc32(clip.read_bytes()))
    os.utime(clip, ns=(before[1], before[0]))
    file = linux.open_unbuffered(clip)
    import mmap

    with mmap.mmap(-1, 1 << 20) as into:
        assert file.read_at(into, 0) == 1 << 20
        assert zlib.crc32(into[:]) == before[2]
    file.close()

    assert clip.stat().st_mtime_ns == before[0]
    assert clip.stat().st_atime_ns == before[1]
