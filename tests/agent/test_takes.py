"""Passive evidence: what counts as a take, what it carried, and when it may serve as a floor."""

import itertools
import mmap
import os
import threading
import time
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ebbmark_agent.clock import utc_now
from ebbmark_agent.platforms import DiskCounters, linux
from ebbmark_agent.report import Bus, PathFacts, TakeFacts
from ebbmark_agent.takes import SeenTake, TakeRules, TakeSampler, TakeWatcher
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.rigs.curve import Curve
from tests.rigs.fixtures import nbd_rig, rig
from tests.rigs.lock import rig_lock
from tests.rigs.loop_drive import attached
from tests.rigs.nbd_drive import nbd_drive
from tests.rigs.waiting import Beside

__all__ = ["nbd_rig", "rig"]

START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
MB = 1_000_000


class Disk:
    """An invented disk whose counters go on second by second."""

    def __init__(self) -> None:
        """Begin with counters as after some days of use."""
        self.seconds = 0
        self.written = 77 * MB
        self.read = 12 * MB
        self.busy_s = 5.0
        self.requests = 0
        self.request_bytes = 512 * 1024

    def counters(self, *, in_flight: int | None = 1, busy: bool = True) -> DiskCounters:
        """Give a reading at this second."""
        return DiskCounters(
            at_s=1_000.0 + self.seconds,
            read_bytes=self.read,
            written_bytes=self.written,
            in_flight=in_flight,
            busy_s=self.busy_s if busy else None,
            write_requests=self.requests,
        )

    def pass_second(self, *, written: int = 0, read: int = 0, busy_s: float = 0.0) -> None:
        """Let a second pass with this traffic."""
        self.seconds += 1
        self.written += written
        self.read += read
        self.busy_s += busy_s
        self.requests += written // self.request_bytes

    @property
    def now(self) -> datetime:
        """The instant of this second."""
        return START + timedelta(seconds=self.seconds)


def play(
    rates: Iterable[int],
    *,
    watcher: TakeWatcher | None = None,
    disk: Disk | None = None,
    read: bool = False,
    busy_s: float = 0.5,
    in_flight: int | None = 1,
) -> list[SeenTake]:
    """Feed a watcher one reading a second and give the takes that ended."""
    watcher, disk = watcher or TakeWatcher(), disk or Disk()
    found = list(watcher.feed(disk.counters(in_flight=in_flight), now=disk.now))
    for rate in rates:
        disk.pass_second(
            written=0 if read else rate, read=rate if read else 0, busy_s=busy_s if rate else 0.0
        )
        found += watcher.feed(disk.counters(in_flight=in_flight), now=disk.now)
    return found


def quiet(seconds: int = 60) -> list[int]:
    """Nothing for so long."""
    return [0] * seconds


def test_recording_is_a_take() -> None:
    """A recording of 100 MB/s over ten minutes is one take with its start, length, bytes and rate."""
    (take,) = play([*quiet(30), *[100 * MB] * 600, *quiet()])

    assert take.started_at == START + timedelta(seconds=30)
    assert (take.duration_s, take.written_bytes) == (600.0, 60_000 * MB)
    assert (take.mean_bytes_per_s, take.peak_bytes_per_s) == (100 * MB, 100 * MB)
    assert take.busy_share == pytest.approx(0.5)


def test_slow_camera_is_seen() -> None:
    """A camera stream of 28 Mb/s is a take."""
    (take,) = play([*[3_500_000] * 300, *quiet()])

    assert take.mean_bytes_per_s == 3_500_000


def test_cache_that_empties_every_few_seconds_is_one_take() -> None:
    """Writes that reach the disk in bursts, as through a page cache, are one take at their mean rate."""
    (take,) = play([*[500 * MB, 0, 0, 0, 0] * 60, *quiet()])

    assert take.duration_s == pytest.approx(300, abs=5)
    assert take.mean_bytes_per_s == pytest.approx(100 * MB, rel=0.02)
    assert take.peak_bytes_per_s == pytest.approx(100 * MB, rel=0.01)


@pytest.mark.parametrize(
    "rates",
    [
        pytest.param([0] * 600, id="silence"),
        pytest.param([200_000] * 600, id="logs"),
        pytest.param([*[0] * 100, 900 * MB, *[0] * 100], id="one large flush"),
        pytest.param([*[0] * 100, *[50 * MB] * 40, *[0] * 100], id="a short copy"),
    ],
)
def test_housekeeping_is_no_take(rates: list[int]) -> None:
    """Silence, logs, a single flush and a short copy are no takes."""
    assert play(rates) == []


def test_pause_between_clips_ends_a_take() -> None:
    """Two clips with a minute between them are two takes."""
    clips = play([*[100 * MB] * 120, *quiet(60), *[100 * MB] * 90, *quiet(60)])

    assert [take.duration_s for take in clips] == [120.0, 90.0]


def test_seam_of_a_segmented_clip_does_not_end_a_take() -> None:
    """A few silent seconds between the segments of one recording do not part it."""
    (take,) = play([*[100 * MB] * 120, *quiet(6), *[100 * MB] * 120, *quiet(60)])

    assert take.duration_s == 246.0


def test_endless_recording_is_cut() -> None:
    """A recorder that never stops gives a take every four hours, without a gap or an overlap."""
    rules = TakeRules(longest_s=300.0)
    takes = play([10 * MB] * 900, watcher=TakeWatcher(rules=rules))

    assert [take.duration_s for take in takes] == [300.0, 300.0, 300.0]
    assert takes[1].started_at == takes[0].started_at + timedelta(seconds=300)


def test_own_probe_is_no_take() -> None:
    """What the agent writes itself is never a take, and ends one that was going on."""
    watcher, disk = TakeWatcher(), Disk()
    play([100 * MB] * 90, watcher=watcher, disk=disk)
    ended = watcher.feed(disk.counters(), now=disk.now, own_traffic=True)
    for _ in range(120):
        disk.pass_second(written=400 * MB)
        assert watcher.feed(disk.counters(), now=disk.now, own_traffic=True) == ()

    assert [take.duration_s for take in ended] == [90.0]
    assert watcher.end() == ()


def test_offload_is_told_by_its_reads() -> None:
    """A medium that is read is told as read, with nothing written and no floor."""
    (take,) = play([*[250 * MB] * 200, *quiet()], read=True, busy_s=1.0, in_flight=32)
    facts = take.to_facts(take_id="take-1", path=PathFacts(bus=Bus.USB))

    assert (facts.written_bytes, facts.mean_bytes_per_s, facts.saturated) == (0, 0.0, False)
    assert (facts.read_bytes, facts.read_mean_bytes_per_s) == (50_000 * MB, 250 * MB)


def test_saturated_disk_gives_a_floor() -> None:
    """A disk that is always busy with requests waiting shows its floor: the slow stretch, not the mean."""
    rates = [*[400 * MB] * 60, *[80 * MB] * 240, *quiet()]
    (take,) = play(rates, busy_s=1.0, in_flight=16)

    assert take.saturated
    assert take.saturated_floor_bytes_per_s == pytest.approx(80 * MB, rel=0.01)
    assert take.mean_bytes_per_s == pytest.approx(144 * MB)


@pytest.mark.parametrize(
    ("busy_s", "in_flight"),
    [
        pytest.param(0.6, 16, id="rests in between"),
        pytest.param(1.0, 1, id="one request at a time"),
        pytest.param(1.0, None, id="requests not counted"),
    ],
)
def test_paced_recording_gives_no_floor(busy_s: float, in_flight: int | None) -> None:
    """A disk that had time to spare, or may have had, shows what it carried but no floor."""
    (take,) = play([*[80 * MB] * 240, *quiet()], busy_s=busy_s, in_flight=in_flight)

    assert not take.saturated
    assert take.saturated_floor_bytes_per_s is None


def test_many_small_writes_give_no_floor() -> None:
    """A disk kept busy by small writes, as by an update or a database, says nothing of a recording."""
    disk = Disk()
    disk.request_bytes = 4096
    (take,) = play([*[5 * MB] * 240, *quiet()], disk=disk, busy_s=1.0, in_flight=16)

    assert not take.saturated
    assert take.saturated_floor_bytes_per_s is None


def test_reading_in_between_gives_no_floor() -> None:
    """Writes that share the disk with reads say nothing of what writing alone would reach."""
    watcher, disk = TakeWatcher(), Disk()
    found: list[SeenTake] = []
    for second in range(300):
        rate = 80 * MB if second < 240 else 0
        disk.pass_second(written=rate, read=rate // 2, busy_s=1.0)
        found += watcher.feed(disk.counters(in_flight=16), now=disk.now)
    written = next(take for take in found if take.written)

    assert not written.saturated


def test_system_that_does_not_count_busy_time() -> None:
    """Without busy time the share is unknown, not zero."""
    watcher, disk = TakeWatcher(), Disk()
    found: list[SeenTake] = []
    for second in range(200):
        disk.pass_second(written=50 * MB if second < 120 else 0)
        found += watcher.feed(disk.counters(busy=False), now=disk.now)

    assert [(take.busy_share, take.saturated) for take in found] == [(None, False)]


@pytest.mark.parametrize("change", ["swapped", "slept"])
def test_break_in_the_counters_ends_a_take(change: str) -> None:
    """Counters that fall back, or a reading that comes late, end the take with what was seen."""
    watcher, disk = TakeWatcher(), Disk()
    play([100 * MB] * 90, watcher=watcher, disk=disk)
    if change == "swapped":
        disk.written = 0
        disk.pass_second()
    else:
        disk.seconds += 3_600
        disk.written += 900_000 * MB
    (take,) = watcher.feed(disk.counters(), now=disk.now)

    assert (take.duration_s, take.written_bytes) == (90.0, 9_000 * MB)


def test_going_on_is_told() -> None:
    """While a recording goes on the watcher says so, and stops saying so when it has ended."""
    watcher, disk = TakeWatcher(), Disk()
    play([100 * MB] * 90, watcher=watcher, disk=disk)
    during = watcher.going_on
    play(quiet(60), watcher=watcher, disk=disk)

    assert (during, watcher.going_on) == (True, False)


def test_facts_survive_the_wire() -> None:
    """A take is the same after a trip through JSON."""
    (take,) = play([*[100 * MB] * 90, *quiet()], busy_s=1.0, in_flight=8)
    facts = take.to_facts(take_id="take-1", path=PathFacts(bus=Bus.NVME), fill_start=0.25)

    assert TakeFacts.model_validate_json(facts.model_dump_json()) == facts


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 600 * MB), st.integers(1, 90)), min_size=1, max_size=12),
)
@example([(30 * MB, 70), (0, 32), (2 * MB, 1), (0, 3), (30 * MB, 70)])  # a last few bytes between two takes
def test_nothing_is_counted_twice(stretches: list[tuple[int, int]]) -> None:
    """However traffic comes and goes, takes do not overlap and never hold more than was written."""
    rates = [rate for rate, length in stretches for _ in range(length)]
    watcher = TakeWatcher(rules=TakeRules(longest_s=120.0))
    takes = [*play(rates, watcher=watcher), *watcher.end()]
    ends = [take.started_at + timedelta(seconds=take.duration_s) for take in takes]

    assert sum(take.written_bytes for take in takes) <= sum(rates)
    assert all(end <= later.started_at for end, later in zip(ends, takes[1:], strict=False))
    assert all(take.mean_bytes_per_s <= take.peak_bytes_per_s * 1.000001 for take in takes)


@pytest.fixture
def two_disks() -> tuple[dict[str, Disk], Callable[[str], DiskCounters | None]]:
    """Two disks by name, with a way to read their counters."""
    disks = {"sda": Disk(), "sdb": Disk()}

    def read(name: str) -> DiskCounters | None:
        return disks[name].counters() if name in disks else None

    return disks, read


def test_sampler_keeps_disks_apart(
    two_disks: tuple[dict[str, Disk], Callable[[str], DiskCounters | None]],
) -> None:
    """Takes on two disks are told by disk, and a disk the agent probes gives none."""
    disks, read = two_disks
    sampler = TakeSampler(read)
    ended: dict[str, tuple[SeenTake, ...]] = {}
    for second in range(180):
        for disk in disks.values():
            disk.pass_second(written=100 * MB if second < 100 else 0)
        ended |= sampler.sample(
            ["sda", "sdb"], now=disks["sda"].now, probed=frozenset({"sdb"}) if second < 100 else frozenset()
        )

    assert list(ended) == ["sda"]
    assert sampler.recording() == frozenset()


def test_sampler_gives_the_take_of_a_disk_that_went_away(
    two_disks: tuple[dict[str, Disk], Callable[[str], DiskCounters | None]],
) -> None:
    """A drive pulled in the middle of a take leaves what was seen of it."""
    disks, read = two_disks
    sampler = TakeSampler(read)
    for _ in range(90):
        disks["sda"].pass_second(written=100 * MB)
        sampler.sample(["sda"], now=disks["sda"].now)
    recording, now = sampler.recording(), disks["sda"].now
    del disks["sda"]
    ended = sampler.sample(["sda"], now=now)

    assert recording == {"sda"}
    assert [take.duration_s for take in ended["sda"]] == [89.0]


@pytest.mark.rig
def test_real_recording_is_seen(tmp_path: Path) -> None:
    """A paced writer on a loop device is seen as a take with the bytes it wrote, by the kernel's counters.

    The page cache takes no part, so what the writer wrote and what the disk counted are the same but for the
    file system's own writes.
    """
    if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
        pytest.skip("a loop device needs root and a kernel that offers one")
    rate, seconds = 20 * MB, 8
    with rig_lock(), attached(tmp_path, size_bytes=400 * MB) as drive:
        sampler = TakeSampler(linux.disk_counters, rules=TakeRules(least_duration_s=4.0))
        sampler.sample([drive.name], now=utc_now())
        clip, wrote = drive.mount / "clip", list[int]()
        writer = Beside(lambda: _record(clip, rate=rate, seconds=seconds, wrote=wrote)).begin()
        _sample_until_over(sampler, drive.name, writer)
        sampler.sample([drive.name], now=utc_now())
        ((take,),) = sampler.sample([], now=utc_now()).values()

    assert take.written_bytes == pytest.approx(sum(wrote), rel=0.02)
    assert take.mean_bytes_per_s == pytest.approx(rate, rel=0.15)  # a second too many or too few at the ends
    assert not take.saturated


@pytest.mark.nbd
@pytest.mark.proof
@pytest.mark.usefixtures("nbd_rig")
def test_a_drive_that_is_kept_full_shows_its_floor() -> None:
    """Four writes always under way on a drive held to 40 MB/s: saturated, and the floor is that rate.

    The drive takes 40 MB/s by the pace of the server behind it; the kernel's counters, read once a second,
    are all that is known of it, and no probe has written.
    """
    limit, seconds = 40 * MB, 36
    with nbd_drive(size_bytes=512 << 20) as drive:
        name, clip = drive.loop.name, drive.mount / "clip"
        with clip.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, 256 << 20)
        os.sync()
        drive.behave(Curve.flat(limit))
        sampler = TakeSampler(linux.disk_counters, rules=TakeRules(least_duration_s=30.0))
        sampler.sample([name], now=utc_now())
        wrote = list[int]()
        writers = [
            Beside(lambda at=at: _keep_full(clip, at << 26, seconds=seconds, wrote=wrote)).begin()
            for at in range(4)
        ]
        for writer in writers:
            _sample_until_over(sampler, name, writer)
        sampler.sample([name], now=utc_now())
        ((take,),) = sampler.sample([], now=utc_now()).values()

    assert sum(wrote) == pytest.approx(limit * seconds, rel=0.05)
    assert take.saturated, take
    assert take.saturated_floor_bytes_per_s == pytest.approx(limit, rel=0.03)
    assert take.busy_share == pytest.approx(1.0, abs=0.05)


def _sample_until_over(sampler: TakeSampler, disk: str, writer: Beside) -> None:
    pause = threading.Event()
    next_s = time.monotonic()
    while not writer.over:
        next_s += 1.0
        pause.wait(max(0.0, next_s - time.monotonic()))
        sampler.sample([disk], now=utc_now())
    writer.end()


def _keep_full(path: Path, place: int, *, seconds: float, wrote: list[int]) -> None:
    """Write 1 MiB after the other over 64 MiB of a file, each as soon as the one before is done."""
    block = mmap.mmap(-1, 1 << 20)
    block.write(os.urandom(1 << 20))
    descriptor = os.open(path, os.O_WRONLY | os.O_DIRECT)
    began = time.monotonic()
    try:
        for number in itertools.count():
            if time.monotonic() - began >= seconds:
                return
            wrote.append(os.pwrite(descriptor, block, place + (number % 64 << 20)))
    finally:
        os.close(descriptor)
        block.close()


def _record(path: Path, *, rate: int, seconds: int, wrote: list[int]) -> None:
    block = mmap.mmap(-1, 1 << 20)
    block.write(os.urandom(1 << 20))
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_DIRECT)
    began, pause = time.monotonic(), threading.Event()
    try:
        while (passed := time.monotonic() - began) < seconds:
            if sum(wrote) <= rate * passed:
                wrote.append(os.write(descriptor, block))
            else:
                pause.wait(0.005)
    finally:
        os.close(descriptor)
        block.close()
