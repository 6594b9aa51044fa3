"""A probe gives way to whatever else uses the drive: soon, and with its partial trace kept."""

import mmap
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from ebbmark_agent.consent.foreign import Grant
from ebbmark_agent.platforms import DiskCounters, this_platform
from ebbmark_agent.probe import CounterWatch, OwnIo, ProbeRequest, WatchedDisk, run_probe
from ebbmark_agent.probe.ended import CancelledError, GaveWayError
from ebbmark_agent.probe.guard import Guard
from ebbmark_agent.probe.request import Phase
from ebbmark_agent.report import DiscardState, FileLayout, ProbeKind, ProbeOutcome

from tests.rigs.curve import Curve
from tests.rigs.loop_drive import LoopDrive, loop_drive
from tests.rigs.probing import LOOP_PATH, probe_drive, request_on, traces_of
from tests.rigs.probing_agent import until_quiet
from tests.rigs.waiting import Beside

MB = 1_000_000


class ScriptedCounters:
    """A platform of which only the counters are used, read from a script of totals."""

    def __init__(self, totals: dict[str, Iterator[int]]) -> None:
        """Take the totals each disk will show, reading by reading."""
        self._totals = totals
        self._at_s = 0.0

    def disk_counters(self, disk: str) -> DiskCounters | None:
        """Give the next reading, 50 ms after the one before."""
        self._at_s += 0.05
        total = next(self._totals[disk], None)
        if total is None:
            return None
        return DiskCounters(at_s=self._at_s, read_bytes=0, written_bytes=total)


def watching(*disks: WatchedDisk, **totals: list[int]) -> CounterWatch:
    """A watch over scripted counters."""
    platform = ScriptedCounters({name: iter(values) for name, values in totals.items()})
    return CounterWatch(platform=platform, disks=disks)  # type: ignore[arg-type]


def test_own_bytes_are_no_reason() -> None:
    """A disk that counts exactly what the probe wrote lets it go on."""
    watch = watching(WatchedDisk(name="sda"), sda=[0, 20 * MB, 40 * MB])

    assert watch.poll(OwnIo(done_bytes=0)) is None
    assert watch.poll(OwnIo(done_bytes=20 * MB)) is None
    assert watch.poll(OwnIo(done_bytes=40 * MB)) is None


def test_foreign_bytes_are() -> None:
    """A frame of somebody else's is a reason, told with the disk's name and the figure."""
    watch = watching(WatchedDisk(name="sda"), sda=[0, 22 * MB])
    watch.poll(OwnIo(done_bytes=0))
    reason = watch.poll(OwnIo(done_bytes=20 * MB))

    assert reason is not None
    assert "sda" in reason
    assert "2.00 MB" in reason


def test_a_neighbour_has_no_own_bytes() -> None:
    """On a disk of the same hub everything is foreign, however much the probe writes beside it."""
    watch = watching(WatchedDisk(name="sda"), WatchedDisk.neighbour("sdb"), sda=[0, 20 * MB], sdb=[0, 1 * MB])
    watch.poll(OwnIo(done_bytes=0))
    reason = watch.poll(OwnIo(done_bytes=20 * MB))

    assert reason is not None
    assert "sdb" in reason


STRIPE = WatchedDisk(name="sda", and_with=("sdb",))
MIRROR = WatchedDisk(name="sda", and_with=("sdb",), own_copies=2.0)


@pytest.mark.parametrize(
    ("disk", "first", "second"),
    [
        pytest.param(STRIPE, 10 * MB, 10 * MB, id="stripe"),
        pytest.param(STRIPE, 4 * MB, 16 * MB, id="stripe over unlike members"),
        pytest.param(MIRROR, 20 * MB, 20 * MB, id="mirror"),
    ],
)
def test_an_arrays_own_bytes_are_no_reason(disk: WatchedDisk, first: int, second: int) -> None:
    """A stripe's members get the probe's bytes between them, each of a mirror's gets them all."""
    watch = watching(disk, sda=[0, first], sdb=[0, second])
    watch.poll(OwnIo(done_bytes=0))

    assert watch.poll(OwnIo(done_bytes=20 * MB)) is None


@pytest.mark.parametrize(
    ("disk", "first", "second"),
    [
        pytest.param(STRIPE, 11 * MB, 11 * MB, id="stripe"),
        pytest.param(MIRROR, 21 * MB, 21 * MB, id="mirror"),
    ],
)
def test_a_take_on_an_array_is_a_reason(disk: WatchedDisk, first: int, second: int) -> None:
    """Two megabytes of somebody else's on the members are seen beside the probe's own twenty."""
    watch = watching(disk, sda=[0, first], sdb=[0, second])
    watch.poll(OwnIo(done_bytes=0))
    reason = watch.poll(OwnIo(done_bytes=20 * MB))

    assert "sda + sdb" in (reason or "")
    assert "2.00 MB" in (reason or "")


def test_a_mirror_reads_once() -> None:
    """A read of the probe's own comes from one member; what the others read meanwhile is foreign."""
    watch = watching(MIRROR, sda=[0, 12 * MB], sdb=[0, 10 * MB])
    watch.poll(OwnIo(done_bytes=0))
    reason = watch.poll(OwnIo(done_bytes=20 * MB, read_bytes=20 * MB))

    assert "2.00 MB" in (reason or "")


def test_reads_are_told_from_writes_by_the_phase() -> None:
    """What is moved while reading back counts as read."""
    told: list[OwnIo] = []

    class Listens:
        """Keeps what it is told."""

        def poll(self, own: OwnIo) -> str | None:
            """Keep it."""
            told.append(own)
            return None

    guard = Guard(watch=Listens())
    guard.begin(Phase.WRITING, 8)
    guard.did(8)
    guard.begin(Phase.READING_BACK, 8)
    guard.did(5)
    guard.look()

    assert told[-1] == OwnIo(done_bytes=13, read_bytes=5)


def test_counters_that_fall_silent_end_the_probe() -> None:
    """A disk that can no longer be watched is no longer probed."""
    watch = watching(WatchedDisk(name="sda"), sda=[0])
    watch.poll(OwnIo(done_bytes=0))

    assert "sda" in (watch.poll(OwnIo(done_bytes=0)) or "")


def test_other_questions_are_asked_too() -> None:
    """A hold that begins while a probe runs ends it."""
    watch = CounterWatch(platform=this_platform(), disks=(), also=(lambda: "A hold begins.",))

    assert watch.poll(OwnIo(done_bytes=0)) == "A hold begins."


def test_waiting_looks_all_the_while() -> None:
    """A paced or paused probe gives way during its wait, not after it."""

    class Soon:
        """Gives way at the third look."""

        looks = 0

        def poll(self, own: OwnIo) -> str | None:
            """Count."""
            self.looks += 1
            return "now" if self.looks == 3 else None

    guard = Guard(watch=Soon())
    begin = time.monotonic()
    with pytest.raises(GaveWayError, match="now"):
        guard.wait(30.0, done_bytes=0)

    assert time.monotonic() - begin < 10.0


def test_a_cancel_ends_a_wait() -> None:
    """Calling a probe off does not wait for a pause to end."""
    cancel = threading.Event()
    cancel.set()

    with pytest.raises(CancelledError):
        Guard(cancel=cancel).wait(30.0, done_bytes=0)


class GivesWayAfter:
    """A watch that asks to give way once so much has been done."""

    def __init__(self, done_bytes: int) -> None:
        """Take the threshold [bytes]."""
        self._limit = done_bytes

    def poll(self, own: OwnIo) -> str | None:
        """Compare."""
        return "A take begins." if own.done_bytes >= self._limit else None


def test_giving_way_keeps_the_partial_trace(tmp_path: Path) -> None:
    """What was written before giving way is kept, marked, not read back; the file is gone."""
    result = run_probe(
        request_on(tmp_path, max_bytes=64 * MB, block_bytes=1 << 20),
        platform=this_platform(),
        watch=GivesWayAfter(20 << 20),
    )

    assert result.outcome is ProbeOutcome.GAVE_WAY
    assert result.gave_way_to == "A take begins."
    assert 20 << 20 <= result.bytes_written < 64 * MB
    assert traces_of(result)[0].written_bytes == result.bytes_written
    assert result.read_back_ok is None
    assert result.discard is DiscardState.NOT_POSSIBLE
    assert list(tmp_path.iterdir()) == []


def test_giving_way_in_the_read_back_keeps_the_whole_trace(tmp_path: Path) -> None:
    """The writing was done: its trace is whole, the comparison is not claimed."""
    result = run_probe(
        request_on(tmp_path, max_bytes=32 << 20, block_bytes=1 << 20),
        platform=this_platform(),
        watch=GivesWayAfter(40 << 20),
    )

    assert result.outcome is ProbeOutcome.GAVE_WAY
    assert result.bytes_written == 32 << 20
    assert result.read_back_ok is None


def test_a_cancelled_probe_says_so(tmp_path: Path) -> None:
    """A probe called off has its own outcome and leaves nothing."""
    cancel = threading.Event()
    cancel.set()
    result = run_probe(request_on(tmp_path, max_bytes=8 << 20), platform=this_platform(), cancel=cancel)

    assert result.outcome is ProbeOutcome.CANCELLED
    assert result.trace == ()
    assert list(tmp_path.iterdir()) == []


def other_writer(drive: LoopDrive, begin: threading.Event, portion: int, seen: list[float]) -> None:
    """Write portions to another file on the same drive, unbuffered, 25 times a second, until told to end."""
    descriptor = os.open(drive.mount / "take", os.O_WRONLY | os.O_DIRECT)
    buffer = mmap.mmap(-1, portion)
    try:
        if not begin.wait(timeout=60):
            return
        for frame in range(50):
            os.pwrite(descriptor, buffer, frame * portion)
            seen.append(time.monotonic())
            time.sleep(0.04)
    finally:
        os.close(descriptor)


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
@pytest.mark.parametrize(
    ("limit", "portion"),
    [(400 * MB, 1 << 20), (60 * MB, 256 << 10)],
    ids=["frames of 1 MiB on a fast drive", "a take of 52 Mb/s on a slow drive"],
)
def test_a_take_ends_the_probe_within_a_quarter_second(limit: int, portion: int) -> None:
    """From the first foreign write to the probe's end 250 ms pass at most; the median of three takes counts.

    The throttle itself holds a block back for up to two slices of 100 ms, which the median evens out.
    """
    took: list[float] = []
    with loop_drive(Curve.flat(limit), size_bytes=2 << 30) as drive:
        with (drive.mount / "take").open("wb") as take:
            os.posix_fallocate(take.fileno(), 0, 50 * portion)
        for _ in range(3):
            until_quiet(drive)
            begin, seen = threading.Event(), list[float]()
            other = Beside(lambda begin=begin, seen=seen: other_writer(drive, begin, portion, seen)).begin()
            take = threading.Timer(0.7, begin.set)
            take.start()
            result = probe_drive(drive, max_bytes=1000 * MB, read_back=False)
            gone = time.monotonic()
            take.join(timeout=10)
            other.end()

            assert result.outcome is ProbeOutcome.GAVE_WAY, result.outcome
            assert seen, "the take never wrote"
            assert seen[0] < gone, f"the probe had ended before the take began: {result.gave_way_to}"
            took.append(gone - seen[0])

    assert sorted(took)[1] <= 0.25, took


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_probe_alone_never_gives_way_to_itself() -> None:
    """Over every layout the probe's own file system traffic is not taken for somebody else's."""
    with loop_drive(Curve.flat(300 * MB), size_bytes=2 << 30) as drive:
        outcomes = {
            layout: probe_drive(drive, max_bytes=400 * MB, layout=layout).outcome for layout in FileLayout
        }

    assert set(outcomes.values()) == {ProbeOutcome.COMPLETED}, outcomes


def test_a_probe_that_reads_only_writes_nothing(tmp_path: Path) -> None:
    """A read probe leaves no file, no folder, no changed time."""
    clip = tmp_path / "clip"
    clip.write_bytes(os.urandom(20 << 20))
    before = {path: path.stat().st_mtime_ns for path in (tmp_path, clip)}
    result = run_probe(
        ProbeRequest(folder=tmp_path, kind=ProbeKind.READ, path=LOOP_PATH, file_system="ext4", streams=2),
        platform=this_platform(),
        watch=CounterWatch(platform=this_platform(), disks=(WatchedDisk(name="none", grant=Grant()),)[:0]),
    )

    assert result.bytes_written == 0
    assert result.bytes_read == 20 << 20
    assert {path: path.stat().st_mtime_ns for path in (tmp_path, clip)} == before


def test_phases_are_told_in_order(tmp_path: Path) -> None:
    """Progress goes from writing to reading back, bytes never falling within a phase."""
    told: list[tuple[Phase, int]] = []
    run_probe(
        request_on(tmp_path, max_bytes=32 << 20, block_bytes=64 << 10),
        platform=this_platform(),
        progress=lambda now: told.append((now.phase, now.done_bytes)),
    )
    phases = [phase for phase, _ in told]

    assert phases == sorted(phases, key=[Phase.WRITING, Phase.READING_BACK].index)
    assert set(phases) == {Phase.WRITING, Phase.READING_BACK}
