"""The search for critical windows against brute force, exact fractions and another algorithm."""

from collections import deque
from fractions import Fraction
from itertools import accumulate

import pytest
from ebbmark_agent.evidence.points import interpolate
from ebbmark_agent.evidence.windows import (
    envelope,
    largest_backlog,
    slowest_step,
    tightest_for_bytes,
    tightest_for_seconds,
    tightest_within,
)
from hypothesis import given
from hypothesis import strategies as st

steps = st.lists(st.tuples(st.integers(1, 20), st.integers(0, 50)), min_size=1, max_size=25)
buffers = st.integers(0, 300)


def exact(pairs):
    """Give exact points of steps of (time, bytes)."""
    times = [Fraction(0), *map(Fraction, accumulate(time for time, _ in pairs))]
    totals = [Fraction(0), *map(Fraction, accumulate(moved for _, moved in pairs))]
    return times, totals


def brute(times, totals, buffer_bytes=Fraction(0), buffer_s=Fraction(0), longest=None):
    """Try every window between points."""
    return min(
        (
            (totals[j] - totals[i] + buffer_bytes) / (times[j] - times[i] - buffer_s)
            for i in range(len(times))
            for j in range(i + 1, len(times))
            if times[j] - times[i] > buffer_s and (longest is None or times[j] - times[i] <= longest)
        ),
        default=None,
    )


def by_hull(times, totals, buffer_bytes):
    """Find the least ratio with a convex hull: one pass, no trial rates.

    The starts form an upper hull; a start at the front that is no better than its successor for one end is
    never needed again for the minimum.
    """

    def slope(start, end_s, end_byte):
        return (end_byte - start[1]) / (end_s - start[0])

    hull = deque([(times[0], totals[0])])
    best = None
    for at_s, at_byte in zip(times[1:], totals[1:], strict=True):
        end = at_byte + buffer_bytes
        while len(hull) > 1 and slope(hull[0], at_s, end) >= slope(hull[1], at_s, end):
            hull.popleft()
        ratio = slope(hull[0], at_s, end)
        best = ratio if best is None else min(best, ratio)
        while len(hull) > 1 and slope(hull[-2], *hull[-1]) <= slope(hull[-1], at_s, at_byte):
            hull.pop()
        hull.append((at_s, at_byte))
    return best


@given(steps, buffers)
def test_a_buffer_in_bytes_finds_the_least_of_all_windows(pairs, buffer_bytes):
    """The rate for a buffer in bytes is exactly the least over all windows, and the hull's."""
    times, totals = exact(pairs)

    found = tightest_for_bytes(times, totals, Fraction(buffer_bytes)).carries(Fraction(buffer_bytes))

    assert found == brute(times, totals, Fraction(buffer_bytes))
    assert found == by_hull(times, totals, Fraction(buffer_bytes))


@given(steps, st.integers(0, 60))
def test_a_buffer_in_seconds_finds_the_least_of_all_longer_windows(pairs, tenths):
    """The rate for a buffer in seconds is exactly the least over all windows longer than it."""
    times, totals = exact(pairs)
    buffer_s = Fraction(tenths, 3)

    found = tightest_for_seconds(times, totals, buffer_s)

    assert (None if found is None else found[1]) == brute(times, totals, buffer_s=buffer_s)


@given(steps, buffers, st.integers(1, 200))
def test_a_take_finds_the_least_of_all_windows_within_it(pairs, buffer_bytes, halves):
    """The rate for takes of limited length is the least over windows up to it, between points as well."""
    times, totals = exact(pairs)
    longest = min(Fraction(halves, 2), times[-1])
    edges = sorted(
        {
            *times,
            *(at + longest for at in times if at + longest < times[-1]),
            *(at - longest for at in times if at > longest),
        }
    )
    expected = brute(
        edges, [interpolate(times, totals, at) for at in edges], Fraction(buffer_bytes), longest=longest
    )

    _, found = tightest_within(
        [float(at) for at in times],
        [float(total) for total in totals],
        float(longest),
        float(buffer_bytes),
        0.0,
    )

    assert found == pytest.approx(float(expected), rel=1e-9, abs=1e-9)


@given(steps, buffers)
def test_the_rate_found_is_carried_and_a_higher_one_is_not(pairs, buffer_bytes):
    """At the found rate the largest backlog is the buffer; at a higher rate it is more."""
    times, totals = exact(pairs)
    window = tightest_for_bytes(times, totals, Fraction(buffer_bytes))
    rate = window.carries(Fraction(buffer_bytes))

    at_rate, _ = largest_backlog(times, totals, rate)
    above, _ = largest_backlog(times, totals, rate * Fraction(1001, 1000) + Fraction(1, 1000))

    assert at_rate == buffer_bytes
    assert above > buffer_bytes


@given(steps, st.integers(1, 100))
def test_the_backlog_is_that_of_the_queue_recursion(pairs, rate):
    """The largest backlog equals the highest level of Lindley's recursion, where one builds up at all."""
    times, totals = exact(pairs)
    level = highest = Fraction(0)
    for took, moved in pairs:
        level = max(Fraction(0), level + rate * took - moved)
        highest = max(highest, level)

    found, _ = largest_backlog(times, totals, Fraction(rate))

    assert highest == max(Fraction(0), found)


@given(steps, buffers)
def test_the_envelope_gives_the_floor_for_every_buffer(pairs, buffer_bytes):
    """The least over the envelope's few windows is the floor for any buffer, within the tolerance."""
    times, totals = exact(pairs)

    found = min(window.carries(Fraction(buffer_bytes)) for window in envelope(times, totals))
    true = brute(times, totals, Fraction(buffer_bytes))

    assert true <= found <= true / (1 - Fraction(1, 999))


@given(steps, st.integers(0, 60))
def test_the_envelope_serves_buffers_in_seconds_too(pairs, tenths):
    """The same few windows give the floor for a buffer in seconds of stream."""
    times, totals = exact(pairs)
    buffer_s = Fraction(tenths, 3)

    found = min(
        (
            each.moved_bytes / (each.length_s - buffer_s)
            for each in envelope(times, totals)
            if each.length_s > buffer_s
        ),
        default=None,
    )
    true = brute(times, totals, buffer_s=buffer_s)

    assert (found is None) is (true is None)
    if true is not None:
        assert true <= found
        carried = brute(times, totals, found * buffer_s)  # the same question asked in bytes
        assert found <= carried / (1 - Fraction(1, 999))


@given(steps)
def test_without_a_buffer_the_slowest_step_decides(pairs):
    """Without a buffer the rate is that of the slowest single step."""
    times, totals = exact(pairs)

    found = slowest_step(times, totals)

    assert found.carries(0) == min(Fraction(moved, took) for took, moved in pairs)
