"""The floor of a trace: its limits, its properties, what it refuses."""

import math

import pytest
from ebbmark_agent.evidence import Trace, floor
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.agent.evidence.simulated import MB, SimulatedDrive, stages

steps = st.lists(st.tuples(st.integers(1000, 10**6), st.integers(1, 10**8)), min_size=2, max_size=60)
buffers = st.integers(0, 10**9)


def trace_of(pairs):
    """Make a trace of (microseconds, bytes)."""
    return Trace.from_steps([length for length, _ in pairs], [moved for _, moved in pairs])


@given(steps, buffers)
def test_it_is_the_least_of_its_three_limits(pairs, buffer_bytes):
    """A floor is the least of its critical window's rate, the mean and the lasting rate."""
    trace = trace_of(pairs)

    found = floor(trace, buffer_bytes=buffer_bytes)

    (start_s, end_s), (start_byte, end_byte) = found.window_s, found.window_bytes
    window_rate = (end_byte - start_byte + buffer_bytes) / (end_s - start_s)
    assert found.uncapped_bytes_per_s == pytest.approx(window_rate, rel=1e-9)
    assert found.bytes_per_s == min(
        found.uncapped_bytes_per_s, found.mean_bytes_per_s, found.lasting_bytes_per_s
    )


@given(steps, buffers, buffers)
def test_more_buffer_never_lowers_it(pairs, one, other):
    """A bigger buffer carries at least what a smaller one does, uncapped and capped."""
    trace = trace_of(pairs)

    small, big = (floor(trace, buffer_bytes=size) for size in sorted((one, other)))

    assert big.uncapped_bytes_per_s >= small.uncapped_bytes_per_s * (1 - 1e-9)
    assert big.bytes_per_s >= small.bytes_per_s * (1 - 1e-9)


@given(steps, buffers, st.integers(0, 59), st.floats(1.0, 100.0))
def test_slowing_a_block_never_raises_the_uncapped_floor(pairs, buffer_bytes, index, factor):
    """However much one block is slowed, the bare minimum does not rise."""
    assume(index < len(pairs))
    slowed = list(pairs)
    slowed[index] = (round(pairs[index][0] * factor), pairs[index][1])

    before = floor(trace_of(pairs), buffer_bytes=buffer_bytes).uncapped_bytes_per_s
    after = floor(trace_of(slowed), buffer_bytes=buffer_bytes).uncapped_bytes_per_s

    assert after <= before * (1 + 1e-9)  # times are sums of floats


@given(steps, buffers, st.data())
def test_splitting_blocks_at_equal_speed_changes_nothing(pairs, buffer_bytes, data):
    """Blocks cut in two at equal speed give the same bare minimum."""
    whole = [(2 * length, 2 * moved) for length, moved in pairs]
    cut = []
    for length, moved in pairs:
        cut += [(length, moved)] * 2 if data.draw(st.booleans()) else [(2 * length, 2 * moved)]

    before = floor(trace_of(whole), buffer_bytes=buffer_bytes)
    after = floor(trace_of(cut), buffer_bytes=buffer_bytes)

    assert after.mean_bytes_per_s == pytest.approx(before.mean_bytes_per_s)
    if buffer_bytes:
        assert after.uncapped_bytes_per_s == pytest.approx(before.uncapped_bytes_per_s, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**16), st.floats(1.0, 400.0), st.floats(0.0, 1.0), st.sampled_from([0.5, 1.0, 4.0]))
def test_a_slower_block_does_not_lift_a_drive_over_its_demand(seed, factor, where, buffer_s):
    """On a drive with a cliff no slowed block lifts the floor by more than rounding of its byte."""
    drive = SimulatedDrive(
        rate=stages((0, 400 * MB), (2e9, 90 * MB)), jitter=0.06, seed=seed, block_bytes=1 << 24
    )
    trace = drive.write(3.4e9)
    index = 1 + round(where * (len(trace.times_s) - 2))
    lost_s = (trace.times_s[index] - trace.times_s[index - 1]) * (factor - 1)
    slower = Trace.from_points(
        [at_s + (lost_s if at >= index else 0.0) for at, at_s in enumerate(trace.times_s)], trace.total_bytes
    )

    before = floor(trace, buffer_s=buffer_s).bytes_per_s
    after = floor(slower, buffer_s=buffer_s).bytes_per_s

    assert after <= before * 1.005


def test_splitting_a_real_trace_does_not_move_its_floor():
    """A drive's trace with every block cut in two has the same floor, cliff and lasting rate included."""
    trace = SimulatedDrive(rate=stages((0, 400 * MB), (2e9, 60 * MB)), jitter=0.06).write(2.6e9)
    times, totals = [0.0], [0.0]
    for at in range(1, len(trace.times_s)):
        times += [(trace.times_s[at - 1] + trace.times_s[at]) / 2, trace.times_s[at]]
        totals += [(trace.total_bytes[at - 1] + trace.total_bytes[at]) / 2, trace.total_bytes[at]]

    before, after = floor(trace, buffer_s=1), floor(Trace.from_points(times, totals), buffer_s=1)

    assert after.bytes_per_s == pytest.approx(before.bytes_per_s, rel=1e-3)
    assert after.lasting_bytes_per_s == pytest.approx(before.lasting_bytes_per_s, rel=1e-3)


def test_a_take_is_judged_by_windows_no_longer_than_it():
    """A shorter take lets the buffer add more to the bare minimum, never less."""
    trace = SimulatedDrive(rate=stages((0, 400 * MB), (2e9, 60 * MB))).write(3e9)

    endless = floor(trace, buffer_bytes=100 * MB)
    short = floor(trace, buffer_bytes=100 * MB, take_s=5)

    assert short.uncapped_bytes_per_s == pytest.approx(60 * MB + 100 * MB / 5, rel=0.01)
    assert short.uncapped_bytes_per_s > endless.uncapped_bytes_per_s
    start_s, end_s = short.window_s
    assert end_s - start_s <= 5 + 1e-9


def test_a_full_stall_beyond_the_buffer_carries_nothing():
    """A drive that stands for longer than a buffer in seconds of stream carries no rate at all."""
    trace = Trace.from_points([0, 10, 13, 20], [0, 1000, 1000, 2000])

    assert floor(trace, buffer_s=2).bytes_per_s == 0


@pytest.mark.parametrize(
    ("given_buffer", "words"),
    [
        pytest.param({}, "either in bytes or in seconds", id="none"),
        pytest.param({"buffer_bytes": 1, "buffer_s": 1}, "either in bytes or in seconds", id="both"),
        pytest.param({"buffer_bytes": -1}, "at least 0 bytes, got -1", id="negative"),
        pytest.param({"buffer_s": math.nan}, "finite", id="no number"),
        pytest.param({"buffer_s": 1, "take_s": 0}, "longer than 0 s", id="empty take"),
    ],
)
def test_a_buffer_that_is_none_is_refused(given_buffer, words):
    """Exactly one finite, non-negative buffer is taken."""
    trace = Trace.from_points([0, 1], [0, 1])

    with pytest.raises(ValueError, match=words):
        floor(trace, **given_buffer)


def test_a_drive_that_took_nothing_has_a_floor_of_zero():
    """A trace without a byte is a stall from begin to end: its floor is 0, and it is not settled."""
    trace = Trace.from_points([0, 100], [0, 0])

    found = floor(trace, buffer_s=1)

    assert found.bytes_per_s == 0
    assert not found.settled
