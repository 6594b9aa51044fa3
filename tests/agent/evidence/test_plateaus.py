"""Plateaus, cliffs, start-up: what is found on simulated drives whose truth is known."""

import random
from itertools import pairwise

import pytest
from ebbmark_agent.evidence import Trace, divide
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.agent.evidence.simulated import (
    MB,
    MiB,
    SimulatedDrive,
    falling_with_bytes,
    sagging,
    stages,
    toward_inner_tracks,
)

SLICE_S = 0.1  # the kernel throttle's


def cliffs_of(trace):
    """Give the bytes at which the rate fell at once."""
    return [plateau.start_byte for plateau in divide(trace).plateaus if plateau.after_cliff]


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**16),
    st.floats(200, 800),
    st.floats(0.1, 0.7),
    st.tuples(st.floats(4, 8), st.floats(6, 20)),
    st.sampled_from([0.0, SLICE_S]),
)
def test_one_cliff_is_found_within_three_percent(seed, fast_mb, share, lasting_s, slice_s):
    """A cliff after 4 s or more is found at its byte within 3 % through slices and jitter, rates too."""
    fast_s, slow_s = lasting_s
    fast, cliff = fast_mb * MB, fast_mb * MB * fast_s
    drive = SimulatedDrive(
        rate=stages((0, fast), (cliff, fast * share)),
        jitter=0.06,
        slice_s=slice_s,
        seed=seed,
        block_bytes=MiB,
    )

    found = divide(drive.write(cliff + fast * share * slow_s))

    (at,) = [index for index, plateau in enumerate(found.plateaus) if plateau.after_cliff]
    assert at == 1
    assert found.plateaus[1].start_byte == pytest.approx(cliff, rel=0.03)
    assert found.plateaus[0].mean_bytes_per_s == pytest.approx(fast, rel=0.05)  # with a throttle's head start
    unsure = (1.5 * drive.block_bytes + 0.3 * fast * slice_s) / slow_s  # of a block and a slice at the corner
    assert found.lasting_bytes_per_s == pytest.approx(fast * share, rel=0.03, abs=unsure)


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 2**16),
    st.floats(300, 800),
    st.floats(0.3, 0.7),
    st.floats(0.2, 0.7),
    st.sampled_from([0.0, SLICE_S]),
)
def test_two_cliffs_are_found(seed, fast_mb, first, second, slice_s):
    """A cache's cliff and the folding's after it are both found within 3 %."""
    rates = [fast_mb * MB, fast_mb * MB * first, fast_mb * MB * first * second]
    marks = [rates[0] * 6, rates[0] * 6 + rates[1] * 8]
    drive = SimulatedDrive(
        rate=stages((0, rates[0]), (marks[0], rates[1]), (marks[1], rates[2])),
        jitter=0.06,
        slice_s=slice_s,
        seed=seed,
    )

    assert cliffs_of(drive.write(marks[1] + rates[2] * 15)) == pytest.approx(marks, rel=0.03)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**16), st.floats(80, 800), st.floats(0.25, 1.5), st.floats(2, 6), st.floats(0, 0.6))
def test_stalls_feign_no_cliff(seed, rate_mb, stall_s, every_s, uneven):
    """A drive that stalls every few seconds from the begin has one plateau, regular or not."""
    drive = SimulatedDrive(
        rate=stages((0, rate_mb * MB)),
        jitter=0.06,
        slice_s=SLICE_S * (seed % 2),
        stall_every_bytes=rate_mb * MB * every_s,
        stall_jitter=uneven,
        stall_s=stall_s,
        seed=seed,
    )

    found = divide(drive.write(rate_mb * MB * 30))

    assert len(found.plateaus) == 1
    assert [stall.at_byte for stall in found.stalls] == drive.stalled_at


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**16), st.floats(0.1, 0.6), st.floats(0.25, 1.5))
def test_stalls_do_not_hide_a_cliff(seed, share, stall_s):
    """A cliff among random stalls is found within 3 %."""
    drive = SimulatedDrive(
        rate=stages((0, 400 * MB), (2.4e9, 400 * MB * share)),
        jitter=0.06,
        stall_every_bytes=600 * MB,
        stall_jitter=0.6,
        stall_s=stall_s,
        seed=seed,
    )

    assert cliffs_of(drive.write(2.4e9 + 400 * MB * share * 20)) == pytest.approx([2.4e9], rel=0.03)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**16),
    st.floats(40, 3000),
    st.floats(1, 30),
    st.floats(0, 0.5),
    st.sampled_from([0.0, SLICE_S]),
)
def test_a_steady_drive_has_one_plateau(seed, rate_mb, seconds, jitter, slice_s):
    """Jitter of any size and a throttle's slices make no cliff, however short the trace."""
    drive = SimulatedDrive(rate=stages((0, rate_mb * MB)), jitter=jitter, slice_s=slice_s, seed=seed)

    found = divide(drive.write(rate_mb * MB * seconds)).plateaus

    assert len(found) == 1
    assert not found[0].after_cliff


def test_a_cliff_after_five_flat_rounds_is_found():
    """Six minutes at 400 MB/s do not hide the cliff to 90 MB/s after them, nor blur its rates."""
    trace = SimulatedDrive(
        rate=stages((0, 400 * MB), (150e9, 90 * MB)), jitter=0.06, block_bytes=16 * MiB
    ).write(170e9)

    found = divide(trace).plateaus

    assert [plateau.start_byte for plateau in found] == [0, pytest.approx(150e9, rel=0.005)]
    assert found[1].mean_bytes_per_s == pytest.approx(90 * MB, rel=0.005)


def test_a_shingled_disk_falls_where_its_stalls_begin():
    """A disk that stalls for tens of seconds once its cache is used up has its cliff at the first."""
    drive = SimulatedDrive(
        rate=stages((0, 180 * MB)),
        jitter=0.06,
        stall_every_bytes=400 * MB,
        stall_jitter=0.5,
        stall_s=25,
        stalls_from_byte=20e9,
    )
    trace = drive.write(23e9)

    found = divide(trace).plateaus

    assert [plateau.start_byte for plateau in found] == [0, drive.stalled_at[0]]
    assert found[0].mean_bytes_per_s == pytest.approx(180 * MB, rel=0.01)
    assert found[1].mean_bytes_per_s < 25 * MB


@pytest.mark.parametrize(
    ("rate", "total"),
    [
        pytest.param(falling_with_bytes(300 * MB, 120 * MB, 40e9), 40e9, id="slow slide"),
        pytest.param(toward_inner_tracks(220 * MB, 110 * MB, 200e9), 200e9, id="inner tracks"),
        pytest.param(sagging(900 * MB, 500 * MB, 60, 20, 10), 300e9, id="thermal sag"),
    ],
)
def test_a_gradual_change_is_no_cliff(rate, total):
    """A slide, a disk's zones and a sag that comes back have no cliff."""
    assert cliffs_of(SimulatedDrive(rate=rate, jitter=0.06, block_bytes=16 * MiB).write(total)) == []


def test_a_slide_lasts_at_the_rate_of_its_end():
    """The last plateau of a slide is near its lowest rate, not its mean."""
    trace = SimulatedDrive(rate=falling_with_bytes(300 * MB, 120 * MB, 40e9), jitter=0.06).write(40e9)

    assert divide(trace).plateaus[-1].mean_bytes_per_s < 135 * MB


def test_a_sag_that_comes_back_is_no_lasting_rate():
    """A trace that ends in one more sag has one plateau at the long-run mean."""
    trace = SimulatedDrive(
        rate=sagging(900 * MB, 500 * MB, 60, 20, 10), jitter=0.06, block_bytes=16 * MiB
    ).write(295e9)

    assert len(divide(trace).plateaus) == 1


def test_a_short_last_plateau_counts():
    """A drop to a sixth in the trace's last second is the lasting rate already."""
    trace = SimulatedDrive(rate=stages((0, 400 * MB), (4e9, 60 * MB)), jitter=0.06).write(4.06e9)

    assert divide(trace).plateaus[-1].mean_bytes_per_s == pytest.approx(60 * MB, rel=0.1)


@pytest.mark.parametrize("start_up_s", [1.0, 8.0, 20.0])
def test_a_disk_that_spins_up_has_a_start_up(start_up_s):
    """The wait for the first block is start-up, in no plateau and no stall."""
    found = divide(SimulatedDrive(rate=stages((0, 180 * MB)), jitter=0.06, start_up_s=start_up_s).write(10e9))

    assert found.ramp_s == pytest.approx(start_up_s, abs=0.05)
    assert found.stalls == ()
    assert [plateau.mean_bytes_per_s for plateau in found.plateaus] == [pytest.approx(180 * MB, rel=0.01)]


def test_a_slow_first_allocation_is_start_up():
    """Two slower seconds before a steady rate belong to no plateau."""
    found = divide(SimulatedDrive(rate=stages((0, 60 * MB), (120 * MB, 200 * MB)), jitter=0.06).write(6e9))

    assert found.ramp_s == pytest.approx(2, rel=0.1)
    assert [plateau.mean_bytes_per_s for plateau in found.plateaus] == [pytest.approx(200 * MB, rel=0.01)]


def test_a_slow_half_is_no_start_up():
    """A drive that is slow for half of a trace and then faster has no start-up, and its mean lasts."""
    found = divide(SimulatedDrive(rate=stages((0, 100 * MB), (4e9, 200 * MB)), jitter=0.06).write(12e9))

    assert found.ramp_s == 0
    assert [plateau.mean_bytes_per_s for plateau in found.plateaus] == [pytest.approx(150 * MB, rel=0.01)]


def test_plateaus_follow_each_other_without_gaps():
    """Plateaus cover the trace from the start-up's end to its own end."""
    trace = SimulatedDrive(
        rate=stages((0, 300 * MB), (3e9, 90 * MB)), start_up_s=3, stall_every_bytes=5e8, stall_s=0.6
    ).write(5e9)

    found = divide(trace)

    edges = [(plateau.start_s, plateau.end_s) for plateau in found.plateaus]
    assert edges[0][0] == found.ramp_s
    assert edges[-1][1] == trace.duration_s
    assert all(before[1] == after[0] for before, after in pairwise(edges))


def test_the_best_split_of_two_rates_is_that_of_an_exhaustive_search():
    """The change between two noisy rates is where trying every place finds the least squared error."""
    chance = random.Random(4)
    rates = [chance.gauss(300, 15) for _ in range(40)] + [chance.gauss(200, 15) for _ in range(60)]
    totals = [0.0]
    for rate in rates:
        totals.append(totals[-1] + rate)

    def error(part):
        mean = sum(part) / len(part)
        return sum((rate - mean) ** 2 for rate in part)

    best = min(range(2, 98), key=lambda at: error(rates[:at]) + error(rates[at:]))

    found = divide(Trace.from_points(range(101), totals)).plateaus

    assert len(found) == 2
    assert found[1].start_s == pytest.approx(best, abs=1)


def alternating(cache_bytes, fast, high, low, each_s):
    """Make a rate that alternates between two values once its cache is used up."""
    return lambda written, elapsed: fast if written < cache_bytes else (high, low)[int(elapsed / each_s) % 2]


@pytest.mark.parametrize(
    ("drive", "total", "cliff", "lasting"),
    [
        pytest.param(
            SimulatedDrive(rate=stages((0, 5000 * MB), (6e9, 1000 * MB)), jitter=0.1, block_bytes=16 * MiB),
            600e9,
            6e9,
            1000 * MB,
            id="a second of cache in ten minutes",
        ),
        pytest.param(
            SimulatedDrive(rate=stages((0, 400 * MB), (4e9, 320 * MB)), slice_s=SLICE_S),
            8e9,
            4e9,
            320 * MB,
            id="a fifth less, in slices",
        ),
        pytest.param(
            SimulatedDrive(rate=stages((0, 400 * MB), (20e9, 360 * MB)), jitter=0.06),
            40e9,
            20e9,
            360 * MB,
            id="a tenth less",
        ),
        pytest.param(
            SimulatedDrive(rate=stages((0, 30 * MB), (1e9, 5 * MB)), jitter=0.3),
            2e9,
            1e9,
            5 * MB,
            id="a slow card",
        ),
        pytest.param(
            SimulatedDrive(
                rate=alternating(60e9, 5000 * MB, 2000 * MB, 300 * MB, 0.5), jitter=0.1, block_bytes=16 * MiB
            ),
            150e9,
            60e9,
            1150 * MB,
            id="folding and writing in turns",
        ),
    ],
)
def test_uncommon_cliffs_are_found(drive, total, cliff, lasting):
    """Short caches, small steps, slow cards and drives that write in turns have their one cliff."""
    found = divide(drive.write(total)).plateaus

    assert [plateau.after_cliff for plateau in found] == [False, True]
    assert found[1].start_byte == pytest.approx(cliff, rel=0.03)
    assert found[1].mean_bytes_per_s == pytest.approx(lasting, rel=0.03)


def test_a_cache_that_refills_now_and_then_is_a_cliff():
    """Five fast seconds a minute after the cache is used up do not undo its cliff."""
    drive = SimulatedDrive(
        rate=lambda written, elapsed: 400 * MB if written < 4e9 or elapsed % 70 > 65 else 60 * MB, jitter=0.06
    )

    assert cliffs_of(drive.write(30e9)) == pytest.approx([4e9], rel=0.03)
