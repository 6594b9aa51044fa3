"""The name a trace's shape is given, on simulated drives of each shape."""

import random

import pytest
from ebbmark_agent.evidence import Shape, read_trace

from tests.agent.evidence.simulated import (
    MB,
    MiB,
    SimulatedDrive,
    falling_with_bytes,
    sagging,
    stages,
    toward_inner_tracks,
)


def dipping(high, low, every_s, for_s):
    """Make a rate that dips at even distances."""
    return lambda _written, elapsed: low if elapsed % every_s > every_s - for_s else high


def wandering(rates, each_s):
    """Make a rate that takes several values in random order."""
    order = random.Random(1).choices(rates, k=1000)
    return lambda _written, elapsed: order[int(elapsed / each_s)]


SHAPES = {
    "flat": (Shape.FLAT, SimulatedDrive(rate=stages((0, 400 * MB)), jitter=0.06), 12e9),
    "flat in slices": (Shape.FLAT, SimulatedDrive(rate=stages((0, 400 * MB)), slice_s=0.1), 12e9),
    "a spot of 0.2 s": (Shape.TOO_SHORT, SimulatedDrive(rate=stages((0, 3000 * MB))), 0.5e9),
    "a cliff": (
        Shape.ONE_CLIFF,
        SimulatedDrive(rate=stages((0, 400 * MB), (4e9, 60 * MB)), jitter=0.06),
        8e9,
    ),
    "two cliffs": (
        Shape.SEVERAL_CLIFFS,
        SimulatedDrive(rate=stages((0, 900 * MB), (9e9, 400 * MB), (15e9, 90 * MB)), jitter=0.06),
        18e9,
    ),
    "stalls": (
        Shape.PERIODIC_DIPS,
        SimulatedDrive(rate=stages((0, 400 * MB)), jitter=0.06, stall_every_bytes=2e9, stall_s=0.8),
        24e9,
    ),
    "dips": (
        Shape.PERIODIC_DIPS,
        SimulatedDrive(rate=dipping(400 * MB, 120 * MB, 8, 1.5), jitter=0.06),
        24e9,
    ),
    "heat": (
        Shape.THERMAL_SAG,
        SimulatedDrive(rate=sagging(900 * MB, 500 * MB, 60, 20, 10), jitter=0.06, block_bytes=16 * MiB),
        300e9,
    ),
    "one long sag": (
        Shape.THERMAL_SAG,
        SimulatedDrive(rate=sagging(900 * MB, 500 * MB, 120, 60, 60), jitter=0.06, block_bytes=16 * MiB),
        210e9,
    ),
    "a slide": (
        Shape.SLOW_SLIDE,
        SimulatedDrive(rate=falling_with_bytes(300 * MB, 120 * MB, 40e9), jitter=0.06),
        40e9,
    ),
    "a shingled disk": (
        Shape.LONG_STALLS,
        SimulatedDrive(
            rate=stages((0, 180 * MB)),
            stall_every_bytes=400 * MB,
            stall_jitter=0.5,
            stall_s=25,
            stalls_from_byte=20e9,
        ),
        23e9,
    ),
    "an uneven drive": (
        Shape.UNEVEN,
        SimulatedDrive(rate=wandering([400 * MB, 130 * MB, 210 * MB, 330 * MB, 170 * MB], 1.3), jitter=0.06),
        24e9,
    ),
}


@pytest.mark.parametrize("name", list(SHAPES))
def test_each_shape_has_its_name(name):
    """A simulated drive's trace is given the name of the shape it was made with."""
    expected, drive, total = SHAPES[name]

    assert read_trace([drive.write(total)]).pattern.shape is expected


def test_a_slide_of_a_rotating_disk_is_its_inner_tracks():
    """A disk that halves its rate towards the inside is named so only where it is known to rotate."""
    trace = SimulatedDrive(
        rate=toward_inner_tracks(220 * MB, 110 * MB, 200e9), jitter=0.06, block_bytes=16 * MiB
    ).write(200e9)

    assert read_trace([trace], rotating=True).pattern.shape is Shape.INNER_TRACKS
    assert read_trace([trace], rotating=False).pattern.shape is Shape.SLOW_SLIDE
    assert read_trace([trace]).pattern.shape is Shape.SLOW_SLIDE


def test_a_slide_is_measured():
    """The share by which a slide fell is told."""
    trace = SimulatedDrive(rate=falling_with_bytes(300 * MB, 120 * MB, 40e9), jitter=0.06).write(40e9)

    assert read_trace([trace]).pattern.slide_share == pytest.approx(0.6, abs=0.06)


def test_dips_are_measured():
    """Dips' period and depth are told."""
    trace = SimulatedDrive(rate=dipping(400 * MB, 120 * MB, 8, 1.5), jitter=0.06).write(40e9)

    found = read_trace([trace]).pattern

    assert found.dip_period_s == pytest.approx(8, rel=0.07)
    assert found.dip_depth_share == pytest.approx(0.7, abs=0.07)
