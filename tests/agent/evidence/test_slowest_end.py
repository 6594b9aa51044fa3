"""The slowest end of a trace: a lasting rate that no change point has a say in."""

import pytest
from ebbmark_agent.evidence import Trace
from ebbmark_agent.evidence.slowest_end import LEAST_END_SHARE, slowest_end_bytes_per_s
from hypothesis import given
from hypothesis import strategies as st

from tests.agent.evidence.judging import GB, MB, staged

steps = st.lists(st.tuples(st.floats(0.01, 5.0), st.floats(1.0, 500.0)), min_size=1, max_size=40)


def _trace(taken: list[tuple[float, float]]) -> Trace:
    times, totals = [0.0], [0.0]
    for seconds, megabytes in taken:
        times.append(times[-1] + seconds)
        totals.append(totals[-1] + megabytes * MB)
    return Trace.from_points(times, totals)


def test_a_slow_tail_of_a_fifth_is_its_own_rate() -> None:
    """80 GB at 400 and 20 GB at 100 MB/s end at 100 MB/s."""
    assert slowest_end_bytes_per_s(staged((400 * MB, 80 * GB), (100 * MB, 20 * GB))) == pytest.approx(
        100 * MB
    )


def test_a_shorter_slow_tail_is_read_with_what_came_before() -> None:
    """10 GB at 100 MB/s are read with the 10 GB before: 20 GB in 25 s + 100 s."""
    found = slowest_end_bytes_per_s(staged((400 * MB, 90 * GB), (100 * MB, 10 * GB)))

    assert found == pytest.approx(20 * GB / 125)


@given(steps, st.data())
def test_it_never_rises_when_a_block_is_slowed(taken: list[tuple[float, float]], data: st.DataObject) -> None:
    """Slowing any block never raises the slowest end."""
    at = data.draw(st.integers(0, len(taken) - 1))
    more_s = data.draw(st.floats(0, 10))
    slowed = [(s + more_s, n) if i == at else (s, n) for i, (s, n) in enumerate(taken)]

    assert slowest_end_bytes_per_s(_trace(slowed)) <= slowest_end_bytes_per_s(_trace(taken)) * (1 + 1e-9)


@given(steps)
def test_it_is_the_least_of_all_ends_tried_one_by_one(taken: list[tuple[float, float]]) -> None:
    """No end of at least a fifth of the bytes is slower, on points or between them."""
    trace = _trace(taken)
    found = slowest_end_bytes_per_s(trace)
    total, end_s = trace.written_bytes, trace.duration_s
    tried = [
        (total - trace.bytes_at(at_s)) / (end_s - at_s)
        for at_s in [end_s * k / 500 for k in range(500)]
        if total - trace.bytes_at(at_s) >= LEAST_END_SHARE * total
    ]

    assert found <= min(tried) * (1 + 1e-9)
    assert found <= trace.mean_bytes_per_s
