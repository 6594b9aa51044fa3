"""Traces: what is one, what is refused, and the wire's form."""

import math

import pytest
from ebbmark_agent.evidence import Trace
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize(
    ("times", "totals", "words"),
    [
        pytest.param([], [], "at least two points, got 0", id="empty"),
        pytest.param([0.0], [0], "at least two points, got 1", id="one point"),
        pytest.param([0, 1, 2], [0, 5], "a total for each time", id="unequal"),
        pytest.param([1.0, 2.0], [0, 5], "begins at 0 s", id="late begin"),
        pytest.param([0.0, 2.0], [3, 5], "begins at 0 s", id="bytes at begin"),
        pytest.param([0, 2, 1], [0, 5, 9], "time 2 .* falls from 2.0 to 1.0", id="clock backwards"),
        pytest.param([0, 1, 2], [0, 5, 4], "total 2 .* falls from 5 to 4", id="count backwards"),
        pytest.param([0, 1, 1], [0, 5, 4], "fall to 4", id="count backwards at one time"),
        pytest.param([0, math.nan], [0, 5], "time 1 .* is nan", id="time is no number"),
        pytest.param([0, 1], [0, math.nan], "total 1 .* is nan", id="total is no number"),
        pytest.param([0, math.inf], [0, 5], "time 1 .* is inf", id="endless"),
        pytest.param([0, 0, 0], [0, 5, 9], "at least two points", id="no duration"),
        pytest.param([0, 1, 2, 7202, 7203], [0, 9, 18, 19, 28], "clock jumped", id="clock jumped"),
    ],
)
def test_what_is_no_trace_is_refused_with_a_sentence(times, totals, words):
    """Points that cannot be a trace are refused and the sentence says which and why."""
    with pytest.raises(ValueError, match=words):
        Trace.from_points(times, totals)


def test_a_long_step_that_moves_bytes_is_no_clock_jump():
    """One step of an hour at the rate of the rest is a thinned trace, not a jump of the clock."""
    trace = Trace.from_points([0, 3600, 3601], [0, 3600_000, 3601_000])

    assert trace.mean_bytes_per_s == pytest.approx(1000)


def test_points_at_the_same_time_are_merged():
    """Bytes at an equal time count as written by then; those at 0 s belong to the first step."""
    trace = Trace.from_points([0, 0, 1, 1, 2], [0, 4, 8, 12, 16])

    assert trace.times_s == (0.0, 1.0, 2.0)
    assert trace.total_bytes == (0, 12, 16)


@given(st.lists(st.tuples(st.integers(1, 10**6), st.integers(0, 10**8)), min_size=1, max_size=200))
def test_a_short_trace_survives_the_wire_unchanged(steps):
    """Steps that need no thinning come back from the wire's form exactly."""
    lengths, counts = [length for length, _ in steps], [count for _, count in steps]

    trace = Trace.from_steps(lengths, counts)

    assert trace.to_steps() == (lengths, counts)


def test_steps_must_be_equally_many():
    """As many lengths as counts are needed."""
    with pytest.raises(ValueError, match="a byte count for each time"):
        Trace.from_steps([1, 2], [1])


def test_a_trace_is_linear_between_points():
    """Bytes at a time between two points lie on the line through them."""
    trace = Trace.from_points([0, 2, 4], [0, 100, 400])

    assert trace.bytes_at(3) == pytest.approx(250)
    assert trace.bytes_at(9) == 400


@given(
    st.lists(st.tuples(st.integers(1, 10**7), st.integers(0, 10**9)), min_size=1, max_size=20),
    st.lists(st.floats(-1.0, 250.0), max_size=30),
)
def test_many_times_are_read_as_each_by_itself(steps, times):
    """Bytes at many rising times are, to the bit, what they are at each of them."""
    trace = Trace.from_steps([us for us, _ in steps], [count for _, count in steps])
    at = sorted([*times, *trace.times_s])

    assert trace.bytes_at_all(at) == [trace.bytes_at(each) for each in at]


def test_the_rest_of_a_trace_begins_anew():
    """What comes after a time is a trace that begins at 0 with the remaining bytes."""
    trace = Trace.from_points([0, 2, 4], [0, 100, 400])

    rest = trace.after(1)

    assert rest.times_s == (0.0, 1.0, 3.0)
    assert rest.total_bytes == pytest.approx((0, 50, 350))
    assert trace.after(0) is trace
    with pytest.raises(ValueError, match="nothing of the trace"):
        trace.after(4)
