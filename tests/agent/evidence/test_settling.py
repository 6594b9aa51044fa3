"""Whether a trace's last plateau holds steady, and how long rounds are."""

import pytest
from ebbmark_agent.evidence import divide, floor, settling

from tests.agent.evidence.simulated import MB, MiB, SimulatedDrive, falling_with_bytes, stages


def settle(drive, total, buffer_s=1.0):
    """Write and test the last plateau."""
    trace = drive.write(total)
    return settling(trace, divide(trace).plateaus[-1], buffer_s)


def test_five_minutes_past_a_cliff_hold_in_rounds_of_a_minute():
    """A long flat plateau is steady, its rounds a minute long and its average the plateau's rate."""
    drive = SimulatedDrive(rate=stages((0, 400 * MB), (20e9, 60 * MB)), jitter=0.06, block_bytes=16 * MiB)

    found = settle(drive, 20e9 + 60 * MB * 400)

    assert found.held
    assert found.steady.round_s == 60
    assert found.steady.average_bytes_per_s == pytest.approx(60 * MB, rel=0.01)


def test_a_shorter_plateau_is_cut_in_five():
    """A plateau of 80 s gives five rounds of 16 s, none of them from before the cliff."""
    drive = SimulatedDrive(rate=stages((0, 400 * MB), (4e9, 60 * MB)), jitter=0.06)

    found = settle(drive, 4e9 + 60 * MB * 80)

    assert found.held
    assert found.steady.round_s == pytest.approx(16, rel=0.02)


def test_forty_seconds_are_too_few_for_five_rounds():
    """A plateau shorter than five times ten seconds is not tested, and what a round needed is told."""
    found = settle(SimulatedDrive(rate=stages((0, 60 * MB))), 60 * MB * 40)

    assert found.steady is None
    assert not found.held
    assert found.needed_round_s == 10
    assert found.plateau_s == pytest.approx(40, rel=0.01)


def test_rounds_are_no_shorter_than_the_buffer():
    """With a buffer of 30 s a plateau of 100 s is too short, with one of 15 s it is not."""
    drive = SimulatedDrive(rate=stages((0, 60 * MB)))

    assert settle(drive, 60 * MB * 100, buffer_s=30).steady is None
    assert settle(drive, 60 * MB * 100, buffer_s=15).held


def test_rounds_hold_twenty_blocks():
    """Blocks of two seconds need rounds of forty seconds."""
    drive = SimulatedDrive(rate=stages((0, 8 * MB)), block_bytes=16_000_000)

    assert settle(drive, 8 * MB * 150).steady is None
    assert settle(drive, 8 * MB * 250).steady.round_s == pytest.approx(50)


def test_a_steep_slide_is_not_steady():
    """A rate that falls by a third within the last rounds fails the test on its fitted line."""
    found = settle(SimulatedDrive(rate=falling_with_bytes(150 * MB, 100 * MB, 8e9)), 8e9)

    assert not found.held


def test_flat_rounds_before_a_cliff_say_nothing_of_after():
    """A trace cut off before its cliff is settled by the test; whether that counts is judged elsewhere."""
    drive = SimulatedDrive(rate=stages((0, 400 * MB), (150e9, 90 * MB)), jitter=0.06, block_bytes=16 * MiB)

    assert floor(drive.write(140e9), buffer_s=1).settled
    assert not floor(drive.write(153e9), buffer_s=1).settled
