"""The rule while a probe runs, on disks whose every byte is known."""

from collections.abc import Callable

import pytest
from ebbmark_agent.consent import NEIGHBOUR, ON_TARGET, DiskSample, ForeignMeter, Grant, lively
from hypothesis import given
from hypothesis import strategies as st

TAKE_28_MBIT = 3_500_000  # [bytes/s] 28 Mb/s


def seen_after_s(
    *,
    own_bytes_per_s: float,
    foreign: Callable[[float], float],
    length_s: float = 3.0,
    every_s: float = 0.01,
    grant: Grant = ON_TARGET,
    in_flight_bytes: int = 0,
) -> float | None:
    """Play a probe beside a foreign writer and give when it was seen [s], counted from the start."""
    meter = ForeignMeter(grant=grant)
    for step in range(int(length_s / every_s) + 1):
        at_s = step * every_s
        own = int(own_bytes_per_s * at_s)
        seen = meter.feed(
            DiskSample(
                at_s=at_s,
                disk_bytes=own + int(foreign(at_s)),
                own_done_bytes=own,
                own_in_flight_bytes=in_flight_bytes,
            )
        )
        if seen is not None:
            return at_s
    return None


@pytest.mark.parametrize("own_mb_per_s", [5, 60, 180, 400, 3000])
def test_a_probe_alone_is_left_alone(own_mb_per_s: int) -> None:
    """Own bytes with 0.4 % of metadata beside them (under 1 MB/s) end no probe at any rate."""
    own = own_mb_per_s * 1e6

    assert seen_after_s(own_bytes_per_s=own, foreign=lambda t: min(own * 0.004, 1e6) * t) is None


@pytest.mark.parametrize("own_mb_per_s", [0, 5, 60, 180, 400, 3000])
def test_a_take_of_28_megabits_is_seen(own_mb_per_s: int) -> None:
    """A steady 28 Mb/s take is seen within 150 ms beside a probe at any rate."""
    seen_s = seen_after_s(own_bytes_per_s=own_mb_per_s * 1e6, foreign=lambda t: TAKE_28_MBIT * t)

    assert seen_s is not None
    assert seen_s <= 0.15


@pytest.mark.parametrize("frames_per_s", [24, 25, 30])
def test_a_take_that_writes_frame_by_frame_is_seen(frames_per_s: int) -> None:
    """The same take written one whole frame at a time is seen within 150 ms of its first frame."""
    frame = TAKE_28_MBIT / frames_per_s

    seen_s = seen_after_s(
        own_bytes_per_s=400e6,
        foreign=lambda t: 0 if t < 1 else frame * (1 + int((t - 1) * frames_per_s + 1e-9)),
    )

    assert seen_s is not None
    assert 1.0 <= seen_s <= 1.15


def test_one_uhd_frame_is_seen_at_once() -> None:
    """One frame of 4 MB is seen by the first sample that has it."""
    assert seen_after_s(own_bytes_per_s=400e6, foreign=lambda t: 0 if t < 1 else 4_000_000) == 1.0


def test_a_journal_commit_is_granted() -> None:
    """A burst of 100 kB every five seconds, a journal's commit, ends no probe on a slow drive."""
    assert (
        seen_after_s(own_bytes_per_s=20e6, foreign=lambda t: 100_000 * (1 + int(t / 5)), length_s=11) is None
    )


def test_a_block_in_flight_is_held_against_nobody() -> None:
    """Bytes that the kernel counted of a block which has not yet returned are the probe's own."""
    meter = ForeignMeter()
    meter.feed(DiskSample(at_s=0.0, disk_bytes=0))
    seen = meter.feed(
        DiskSample(at_s=0.05, disk_bytes=3_900_000, own_done_bytes=0, own_in_flight_bytes=4_000_000)
    )

    assert seen is None


def test_a_slow_block_hides_no_more_than_itself() -> None:
    """While one block hangs, foreign bytes beyond its own size are seen."""
    meter = ForeignMeter()
    meter.feed(DiskSample(at_s=0.0, disk_bytes=0, own_in_flight_bytes=1_000_000))
    seen = meter.feed(DiskSample(at_s=0.1, disk_bytes=2_000_000, own_in_flight_bytes=1_000_000))

    assert seen is not None
    assert seen.foreign_bytes == 1_000_000


def test_a_neighbour_has_no_share_of_own_bytes() -> None:
    """On a neighbouring disk 28 Mb/s is seen, the murmur of a mounted file system is not."""
    take = seen_after_s(own_bytes_per_s=0, foreign=lambda t: TAKE_28_MBIT * t, grant=NEIGHBOUR)

    assert take is not None
    assert take <= 0.1
    assert seen_after_s(own_bytes_per_s=0, foreign=lambda t: 200_000 * t, grant=NEIGHBOUR) is None


def test_a_system_disk_may_live() -> None:
    """On a system disk the owner's allowance is no reason to stop; an editor's copy is."""
    quiet = lively(1_000_000)

    assert seen_after_s(own_bytes_per_s=100e6, foreign=lambda t: 900_000 * t, grant=quiet) is None
    assert seen_after_s(own_bytes_per_s=100e6, foreign=lambda t: 50e6 * t, grant=quiet) is not None


def test_it_says_what_was_seen() -> None:
    """The sentence gives the disk, the bytes and the grant."""
    meter = ForeignMeter()
    meter.feed(DiskSample(at_s=0.0, disk_bytes=0))
    seen = meter.feed(DiskSample(at_s=0.1, disk_bytes=5_000_000))

    assert seen is not None
    assert seen.sentence("disk one") == (
        "Something else used disk one: 5.00 MB in 100 ms, 0.13 MB are granted."
    )


@given(
    steps=st.lists(
        st.tuples(st.floats(0.001, 0.2), st.integers(0, 50_000_000), st.integers(0, 5_000_000)), max_size=60
    ),
    extra=st.integers(0, 10_000_000),
    at=st.integers(0, 59),
)
def test_more_foreign_bytes_are_never_seen_later(
    steps: list[tuple[float, int, int]], extra: int, at: int
) -> None:
    """Adding foreign bytes at any moment never delays the moment something is seen."""

    def first_seen(added: int) -> int | None:
        meter = ForeignMeter()
        time_s, disk, own = 0.0, 0, 0
        meter.feed(DiskSample(at_s=0.0, disk_bytes=0))
        for index, (step_s, own_step, foreign_step) in enumerate(steps):
            time_s, own = time_s + step_s, own + own_step
            disk += own_step + foreign_step + (added if index == at else 0)
            if meter.feed(DiskSample(at_s=time_s, disk_bytes=disk, own_done_bytes=own)):
                return index
        return None

    without, with_extra = first_seen(0), first_seen(extra)

    if without is not None and at <= without:
        assert with_extra is not None
        assert with_extra <= without
