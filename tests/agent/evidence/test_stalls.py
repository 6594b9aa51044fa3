"""Stalls: which steps are some, how long, how regular, and what a buffer bridges."""

from itertools import accumulate

import pytest
from ebbmark_agent.evidence import Trace, find_stalls
from ebbmark_agent.evidence.stalls import even_distance_s, sum_up
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.evidence.simulated import MB, SimulatedDrive, stages


@pytest.mark.parametrize("stall_s", [0.3, 0.8, 1.5])
@pytest.mark.parametrize("slice_s", [0.0, 0.1])
def test_regular_stalls_are_counted_measured_and_timed(stall_s, slice_s):
    """Stalls every few seconds come back with their count, length and period."""
    drive = SimulatedDrive(
        rate=stages((0, 200 * MB)),
        jitter=0.06,
        slice_s=slice_s,
        stall_every_bytes=800 * MB,
        stall_s=stall_s,
    )

    found = sum_up(find_stalls(drive.write(8e9)))

    assert found.count == len(drive.stalled_at)
    assert found.longest_s == pytest.approx(stall_s, abs=0.12)
    assert found.total_s == pytest.approx(stall_s * found.count, abs=0.12 * found.count)
    assert found.period_s == pytest.approx(4 + stall_s, rel=0.05)


def test_random_stalls_have_no_period():
    """Stalls at uneven distances have no period."""
    drive = SimulatedDrive(
        rate=stages((0, 200 * MB)), stall_every_bytes=800 * MB, stall_jitter=0.9, stall_s=0.5, seed=3
    )

    assert sum_up(find_stalls(drive.write(16e9))).period_s is None


@pytest.mark.parametrize("slice_s", [0.0, 0.1])
def test_a_steady_drive_has_no_stalls(slice_s):
    """Neither jitter nor a throttle's slices are stalls."""
    drive = SimulatedDrive(rate=stages((0, 400 * MB), (2e9, 60 * MB)), jitter=0.06, slice_s=slice_s)

    assert find_stalls(drive.write(3e9)) == ()


def test_slow_blocks_of_a_slow_drive_are_no_stalls():
    """Blocks that all take most of a second are the drive's pace."""
    assert find_stalls(SimulatedDrive(rate=stages((0, 5 * MB)), jitter=0.3).write(400 * MB)) == ()


def test_thinned_steps_are_no_stalls():
    """A step of half a second that moved half a second's bytes is no stall."""
    trace = Trace.from_points([0, 0.5, 0.6, 0.7, 1.2, 1.7], [0, 50, 60, 70, 120, 170])

    assert find_stalls(trace) == ()


@given(
    step_bytes=st.floats(min_value=1.01, max_value=60),
    times=st.floats(min_value=1.0, max_value=100),
    at=st.integers(0, 19),
)
def test_a_coarse_step_is_a_rate_and_no_stall(step_bytes, times, at):
    """However slow one of twenty steps of more than a second's worth is, it tells of no stop."""
    lengths = [step_bytes * (times if i == at else 1.0) for i in range(20)]
    points = list(accumulate(lengths, initial=0.0))

    assert find_stalls(Trace.from_points(points, [step_bytes * i for i in range(21)])) == ()


def test_a_stop_on_one_block_is_a_stall_however_coarse_the_steps_around_it_are():
    """Thirty seconds on four megabytes between steps of eight seconds are a stall of thirty seconds."""
    trace = Trace.from_points(
        [0, 8, 16, 46, 54, 62], [0, 2000 * MB, 4000 * MB, 4004 * MB, 6004 * MB, 8004 * MB]
    )

    assert [stall.length_s for stall in find_stalls(trace)] == [30]


def test_an_echo_does_not_count():
    """A shorter wait right behind a longer one, while queued blocks are worked off, is part of it."""
    times, totals = [0.0], [0]
    for took in [0.02] * 100 + [0.82, 0.21] + [0.02] * 100:
        times.append(times[-1] + took)
        totals.append(totals[-1] + 4_000_000)

    found = find_stalls(Trace.from_points(times, totals))

    assert [stall.length_s for stall in found] == [pytest.approx(0.82)]


def test_a_buffer_bridges_the_stalls_no_longer_than_it():
    """Those beyond a buffer are the ones longer than it."""
    times, totals = [0.0], [0]
    for took in [0.02] * 100 + [0.8] + [0.02] * 100 + [1.5] + [0.02] * 100:
        times.append(times[-1] + took)
        totals.append(totals[-1] + 4_000_000)

    found = sum_up(find_stalls(Trace.from_points(times, totals)))

    assert (found.beyond(0.5), found.beyond(1), found.beyond(2)) == (2, 1, 0)
    assert [stall.length_s for stall in found.listed] == [pytest.approx(1.5), pytest.approx(0.8)]


def test_without_stalls_nothing_is_longest():
    """No stall: a count of 0, and no longest one."""
    found = sum_up([])

    assert (found.count, found.longest_s, found.total_s, found.period_s) == (0, None, 0, None)


@pytest.mark.parametrize(
    ("starts", "expected"),
    [
        pytest.param([], None, id="none"),
        pytest.param([1, 2], None, id="two"),
        pytest.param([0, 5, 10], 5, id="three even"),
        pytest.param([0, 5, 10, 15.5, 20], 5, id="nearly even"),
        pytest.param([0, 1, 10, 12, 30], None, id="uneven"),
    ],
)
def test_a_period_needs_even_distances(starts, expected):
    """At least three events at even distances have a period."""
    assert even_distance_s(starts) == expected
