"""Thinning: few points, the same figures."""

import json

import pytest
from ebbmark_agent.evidence import Trace, floor, read_trace

from tests.agent.evidence.simulated import (
    MB,
    MiB,
    SimulatedDrive,
    falling_with_bytes,
    sagging,
    stages,
)

WITHIN = 0.005  # [1] what every figure may be off
BUFFERS_S = (0.0, 0.1, 0.5, 1.0, 4.0, 15.0, 60.0)

DRIVES = {
    "200 GB soak": (SimulatedDrive(rate=stages((0, 2000 * MB), (40e9, 400 * MB)), jitter=0.3), 200e9),
    "slices": (
        SimulatedDrive(rate=stages((0, 400 * MB), (30e9, 90 * MB)), jitter=0.06, slice_s=0.1),
        80e9,
    ),
    "stalls": (
        SimulatedDrive(
            rate=stages((0, 400 * MB), (30e9, 150 * MB)),
            jitter=0.3,
            stall_every_bytes=700 * MB,
            stall_jitter=0.8,
            stall_s=0.7,
        ),
        80e9,
    ),
    "slide": (SimulatedDrive(rate=falling_with_bytes(300 * MB, 120 * MB, 80e9), jitter=0.3), 80e9),
    "sag": (SimulatedDrive(rate=sagging(900 * MB, 500 * MB, 60, 20, 10), jitter=0.3), 100e9),
    "slow for an hour": (
        SimulatedDrive(rate=stages((0, 3 * MB)), jitter=0.3, block_bytes=MiB // 4),
        12e9,
    ),
}


@pytest.fixture(params=list(DRIVES), scope="module")
def pair(request):
    """A full trace and what came back from the wire."""
    drive, total = DRIVES[request.param]
    full = drive.write(total)
    assert len(full.times_s) > 15_000  # else nothing is thinned
    return full, Trace.from_steps(*full.to_steps())


def test_every_floor_stays(pair):
    """The floor for every buffer, uncapped too, is within 0.5 % of the full trace's."""
    full, thin = pair
    for buffer_s in BUFFERS_S:
        before, after = floor(full, buffer_s=buffer_s), floor(thin, buffer_s=buffer_s)

        assert after.uncapped_bytes_per_s == pytest.approx(before.uncapped_bytes_per_s, rel=WITHIN)
        assert after.bytes_per_s == pytest.approx(before.bytes_per_s, rel=WITHIN)
        assert after.lasting_bytes_per_s == pytest.approx(before.lasting_bytes_per_s, rel=WITHIN)
        assert after.settled is before.settled


def test_figures_are_the_same_before_and_after(pair):
    """The record of figures is the same whether read from the full trace or from the wire's form."""
    full, thin = pair

    before, after = read_trace([full]), read_trace([thin])

    assert after.pattern.shape is before.pattern.shape
    assert [each.at_bytes for each in after.cliffs] == pytest.approx(
        [each.at_bytes for each in before.cliffs], rel=WITHIN
    )
    assert after.stalls.count == before.stalls.count
    assert after.stalls.total_s == pytest.approx(before.stalls.total_s, rel=WITHIN)
    assert [each.length_s for each in after.stalls.listed] == pytest.approx(
        [each.length_s for each in before.stalls.listed], rel=WITHIN
    )
    assert after.spread.median_bytes_per_s == pytest.approx(before.spread.median_bytes_per_s, rel=WITHIN)
    for buffer_s in BUFFERS_S:
        assert after.floor(buffer_s=buffer_s).bytes_per_s == pytest.approx(
            before.floor(buffer_s=buffer_s).bytes_per_s, rel=WITHIN
        )


def test_it_is_small_on_the_wire(pair):
    """The wire's form takes a few hundred kilobytes at most, and as many points as asked for."""
    full, thin = pair

    assert len(thin.times_s) <= 12_001
    assert len(json.dumps(full.to_steps())) < 300_000


def test_it_keeps_points_of_the_trace(pair):
    """Begin, end and bytes are kept exactly, and thinning again changes nothing."""
    full, thin = pair

    assert thin.duration_s == pytest.approx(full.duration_s, abs=1e-6)
    assert thin.written_bytes == full.written_bytes
    assert thin.thinned() is thin


def test_too_few_points_are_refused():
    """A trace is not thinned until its shape is lost."""
    trace = Trace.from_points(range(1000), range(1000))

    with pytest.raises(ValueError, match="loses its shape"):
        trace.to_steps(max_points=50)


def test_a_thinner_form_can_be_asked_for():
    """Fewer points can be asked for, and the floor with a second of buffer still stays."""
    full = SimulatedDrive(rate=stages((0, 400 * MB), (20e9, 90 * MB)), jitter=0.3).write(40e9)

    thin = Trace.from_steps(*full.to_steps(max_points=1000))

    assert len(thin.times_s) <= 1001
    assert floor(thin, buffer_s=1).bytes_per_s == pytest.approx(
        floor(full, buffer_s=1).bytes_per_s, rel=WITHIN
    )
