"""Single blocks and short stalls on the drive that paces each block exactly."""

import random

import pytest

from tests.rigs.curve import Curve
from tests.rigs.nbd_drive import nbd_drive
from tests.rigs.probing import figures_of, probe_drive

pytestmark = [pytest.mark.nbd, pytest.mark.usefixtures("nbd_rig")]

MB = 1_000_000


def test_small_buffers_are_judged_where_blocks_are_smooth() -> None:
    """At 100 MB/s in even blocks the floor with a tenth of a second of buffer is the rate, within 3 %."""
    with nbd_drive(size_bytes=512 << 20) as drive:
        drive.behave(Curve.flat(100 * MB))
        result = probe_drive(drive.loop, max_bytes=400 * MB, read_back=False)

    assert figures_of(result).floor(buffer_s=0.1).bytes_per_s == pytest.approx(100 * MB, rel=0.03)


def test_the_slowest_block_is_no_slower_than_set() -> None:
    """A block of 4 MiB at 60 MB/s takes 70 ms; the probe's blocks there take at most 100 ms."""
    with nbd_drive(size_bytes=512 << 20) as drive:
        drive.behave(Curve.flat(60 * MB))
        result = probe_drive(drive.loop, max_bytes=200 * MB, read_back=False)

    steps_s = sorted(step / 1e6 for step in result.trace[0].step_us)

    assert steps_s[-3] <= 0.1  # two blocks may meet the file system's own writes


def test_short_stalls_are_timed_to_thirty_milliseconds() -> None:
    """Stalls of 0.3 s show with their length; the rig adds up to 30 ms and a block's own time."""
    seed = random.randrange(10**6)
    every_s = random.Random(seed).uniform(0.8, 1.4)
    with nbd_drive(size_bytes=512 << 20) as drive:
        drive.behave(Curve.flat(100 * MB, stall_every_s=every_s, stall_for_s=0.3))
        result = probe_drive(drive.loop, max_bytes=400 * MB, read_back=False)

    stalls = figures_of(result).stalls

    assert stalls.count >= 2, f"seed {seed}: {stalls}"
    for stall in stalls.listed:
        assert stall.length_s == pytest.approx(0.3, abs=0.08), f"seed {seed}: {stalls}"
