"""The kernel is the witness: rates, bytes, cliffs, stalls and slides on a throttled loop device.

The throttle gives out its bytes in slices of 100 ms with a free one at the begin, and another one wherever
the writer was held up for longer than a slice. So a rate is compared over eight seconds or more, where two
slices are 2.5 %, and nothing shorter than 0.2 s is judged here.

A shared machine stands still for some tenths of a second now and then, and the drive on it with it. So a
probe's rate is held to what the block device took in by the kernel's count, and that to the limit set: it
must not be above it by more than the slices, and not so far below that the machine made the rate.
"""

import random

import pytest
from ebbmark_agent.evidence import Shape
from ebbmark_agent.report import ProbeOutcome

from tests.rigs.curve import Curve, Step
from tests.rigs.loop_drive import LoopDrive, loop_drive
from tests.rigs.probing import figures_of, probe_drive, traces_of

pytestmark = [pytest.mark.rig, pytest.mark.usefixtures("rig")]

MB = 1_000_000
KEPT_UP = 0.75  # below so much of the limit it was the machine that set the rate, and the test says so


def witnessed(drive: LoopDrive, limit: int, begin: int, end: int) -> float:
    """Give the device's own rate between two byte counts, having held it to the limit [bytes/s]."""
    rate = drive.witnessed_bytes_per_s(begin, end)
    assert KEPT_UP * limit < rate < 1.025 * limit, f"the device took in {rate / MB:.1f} MB/s"
    return rate


@pytest.mark.parametrize("limit_mb_per_s", [60, 180, 400])
def test_the_rate_is_the_kernels_limit(limit_mb_per_s: int) -> None:
    """A drive limited by the kernel to a rate shows that rate within 2.5 %, and a floor not below it."""
    limit = limit_mb_per_s * MB
    with loop_drive(Curve.flat(limit)) as drive:
        result = probe_drive(drive, max_bytes=10 * limit, read_back=False)
        rate = witnessed(drive, limit, 0, 10 * limit)
        slowest = min(drive.witnessed_windows_bytes_per_s(10 * limit, window_s=2.0))

    (trace,) = traces_of(result)

    assert result.outcome is ProbeOutcome.COMPLETED
    assert trace.mean_bytes_per_s == pytest.approx(rate, rel=0.025)
    assert 0.975 * slowest < figures_of(result).floor(buffer_s=1.0).bytes_per_s < 1.025 * rate


def test_bytes_agree_with_the_kernels_counters() -> None:
    """The bytes a probe claims to have written and read are those the block device counted, within 1 %."""
    with loop_drive(Curve.flat(0)) as drive:
        read_before, written_before = drive.counters()
        result = probe_drive(drive, max_bytes=500 * MB)
        read_after, written_after = drive.counters()

    assert written_after - written_before == pytest.approx(result.bytes_written, rel=0.01)
    assert read_after - read_before == pytest.approx(result.bytes_read, rel=0.01)
    assert result.bytes_read == result.bytes_written
    assert sum(result.trace[0].step_bytes) == result.bytes_written
    assert result.read_back_ok


def test_a_cliff_shows_where_it_is() -> None:
    """A cache of 2 GB at 400 MB/s over a floor of 60 MB/s: cliff and lasting rate within 3 %."""
    with loop_drive(Curve.cliff(fast=400 * MB, at_bytes=2000 * MB, slow=60 * MB)) as drive:
        result = probe_drive(drive, max_bytes=2700 * MB, read_back=False)
        figures = figures_of(result)
        *machine, cliff = figures.cliffs  # a machine that falters at 400 MB/s shows as a cliff of its own
        fast = witnessed(drive, 400 * MB, machine[-1].at_bytes if machine else 0, 2000 * MB)
        slow = witnessed(drive, 60 * MB, 2020 * MB, 2700 * MB)

    assert cliff.at_bytes == pytest.approx(2000 * MB, rel=0.03)
    assert cliff.before_bytes_per_s == pytest.approx(fast, rel=0.03)
    assert figures.lasting_bytes_per_s == pytest.approx(slow, rel=0.03)


@pytest.mark.proof
def test_two_cliffs_both_show() -> None:
    """A cache and then folding: two cliffs at places and to rates drawn at random, each within 3 %."""
    seed = random.randrange(10**6)
    draw = random.Random(seed)
    first, second = draw.randint(700, 1000) * MB, draw.randint(1500, 1800) * MB
    fast, middle, slow = draw.randint(300, 400) * MB, draw.randint(120, 160) * MB, draw.randint(40, 60) * MB
    said = f"seed {seed}: {fast}, {middle} from {first}, {slow} from {second}"
    curve = Curve(
        steps=(
            Step(at_bytes=0, bytes_per_s=fast),
            Step(at_bytes=first, bytes_per_s=middle),
            Step(at_bytes=second, bytes_per_s=slow),
        )
    )
    with loop_drive(curve) as drive:
        result = probe_drive(drive, max_bytes=second + 12 * slow, read_back=False)
        told_middle = witnessed(drive, middle, first + 20 * MB, second)
        told_slow = witnessed(drive, slow, second + 20 * MB, second + 12 * slow)

    figures = figures_of(result)

    assert len(figures.cliffs) == 2, f"{said}: {figures.cliffs}"
    assert figures.cliffs[0].at_bytes == pytest.approx(first, rel=0.03), said
    assert figures.cliffs[1].at_bytes == pytest.approx(second, rel=0.03), said
    assert figures.cliffs[0].after_bytes_per_s == pytest.approx(told_middle, rel=0.03), said
    assert figures.lasting_bytes_per_s == pytest.approx(told_slow, rel=0.03), said


@pytest.mark.proof
@pytest.mark.parametrize("stall_s", [0.3, 0.8, 1.5])
def test_stalls_are_counted_and_timed(stall_s: float) -> None:
    """Stalls every few seconds show in number and length.

    The throttle holds every stall up to a slice longer than set, so lengths are compared within 120 ms of
    what was set.
    """
    seed = random.randrange(10**6)
    every_s = random.Random(seed).uniform(1.4, 2.0)
    said = f"seed {seed}: {stall_s} s every {every_s:.3f} s"
    with loop_drive(Curve.flat(100 * MB, stall_every_s=every_s, stall_for_s=stall_s)) as drive:
        result = probe_drive(drive, max_bytes=650 * MB, read_back=False)
        set_by_rig = [event for event in drive.truth() if event["event"] == "resume"]

    stalls = figures_of(result).stalls
    # A stall that begins with the last blocks may fall on the flush after them.
    before_the_end = [event for event in set_by_rig if event["at_bytes"] < result.bytes_written - 10 * MB]

    assert len(before_the_end) >= 2, said
    assert len(before_the_end) <= stalls.count <= len(set_by_rig), f"{said}: {stalls}"
    for stall in stalls.listed:
        assert stall.length_s == pytest.approx(stall_s, abs=0.12), f"{said}: {stalls}"


@pytest.mark.proof
def test_a_slow_slide_is_no_cliff() -> None:
    """A rate that falls from 200 to 80 MB/s in small steps is no cliff, and its floor is near its end."""
    with loop_drive(Curve.slide(start=200 * MB, end=80 * MB, over_bytes=2800 * MB)) as drive:
        result = probe_drive(drive, max_bytes=2800 * MB, read_back=False)

    figures = figures_of(result)

    assert figures.pattern.shape is Shape.SLOW_SLIDE
    assert figures.cliffs == ()
    assert figures.floor(buffer_s=1.0).bytes_per_s < 115 * MB


@pytest.mark.proof
def test_rest_brings_the_cache_back() -> None:
    """After a rest longer than the drive needs, a second probe meets the same curve."""
    curve = Curve.cliff(fast=200 * MB, at_bytes=500 * MB, slow=50 * MB, rest_s=0.5)
    with loop_drive(curve) as drive:
        first = figures_of(probe_drive(drive, max_bytes=680 * MB, read_back=False))
        drive.wait_for("rested")
        second = figures_of(probe_drive(drive, max_bytes=680 * MB, read_back=False))

    assert len(first.cliffs) == 1
    assert len(second.cliffs) == 1
    assert second.cliffs[0].at_bytes == pytest.approx(first.cliffs[0].at_bytes, rel=0.05)
