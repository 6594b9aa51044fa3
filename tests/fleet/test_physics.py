"""The physics of the invented drives, held against plain arithmetic and a slower play of the same take."""

import math
from dataclasses import replace

import pytest

from sample_fleet.physics.build import Build, Heat, Medium
from sample_fleet.physics.condition import (
    Condition,
    cache_bytes,
    cached_rate,
    direct_rate,
    settled_temperature,
)
from sample_fleet.physics.recorder import Duty, record
from sample_fleet.physics.writing import Writing

FLASH = Build(
    medium=Medium.FLASH,
    capacity_bytes=1_000_000_000_000,
    cache_rate=400e6,
    direct_rate=60e6,
    static_cache_bytes=2e9,
    endurance_bytes=600e12,
)
PLAIN = Condition(fill=0.1)
DISK = Build(medium=Medium.DISK, capacity_bytes=8_000_000_000_000, cache_rate=250e6, direct_rate=125e6)


def duty(rate: float, *, buffer_s: float = 1.0, take: float = 100e9) -> Duty:
    """Make a duty from a rate [bytes/s]."""
    return Duty(rate_bytes_per_s=rate, buffer_s=buffer_s, take_bytes=take)


def test_greedy_writing_falls_from_the_cache_rate_to_the_direct_rate_at_the_cache_s_size() -> None:
    """2 GB at 400 MB/s and 1 GB at 60 MB/s take 5 s and 16.667 s."""
    drive = Writing.begin(FLASH, PLAIN)

    cached_s, direct_s = drive.write(2e9), drive.write(1e9)

    assert cached_s == pytest.approx(5.0)
    assert direct_s == pytest.approx(1e9 / 60e6)


def test_a_chunk_across_the_cache_s_end_is_split_there() -> None:
    """One write of 3 GB takes as long as its two parts."""
    assert Writing.begin(FLASH, PLAIN).write(3e9) == pytest.approx(5.0 + 1e9 / 60e6)


def test_a_fuller_drive_has_a_smaller_cache() -> None:
    """Half of the free space gone halves the part of the cache that lives in it."""
    build = replace(FLASH, static_cache_bytes=0.0, free_cache_share=0.1)

    assert cache_bytes(build, Condition(fill=0.2)) == pytest.approx(80e9)
    assert cache_bytes(build, Condition(fill=0.6)) == pytest.approx(40e9)
    assert cache_bytes(build, Condition(fill=0.6, known_free_share=0.5)) == pytest.approx(20e9)


def test_a_drive_that_knows_of_no_free_space_writes_slower() -> None:
    """Without discard only the spare blocks are left, and the direct rate falls."""
    told = direct_rate(FLASH, Condition(fill=0.3), 0.3)
    untold = direct_rate(FLASH, Condition(fill=0.3, known_free_share=0.0), 0.3)

    assert told == pytest.approx(60e6)
    assert untold == pytest.approx(60e6 / (1.0 + 0.6 * (0.22 / 0.08 - 1.0)))


def test_wear_slows_only_past_its_knee() -> None:
    """Below the knee nothing changes; past it the rate falls exponentially."""
    build = replace(FLASH, wear_knee=0.9, wear_slope=2.0)

    assert direct_rate(build, Condition(fill=0.1, wear=0.9), 0.1) == pytest.approx(60e6)
    assert direct_rate(build, Condition(fill=0.1, wear=1.4), 0.1) == pytest.approx(60e6 * math.exp(-1.0))


def test_a_disk_is_slower_on_its_inner_tracks() -> None:
    """The zone rate is linear in the fill."""
    assert direct_rate(DISK, Condition(fill=0.0), 0.0) == pytest.approx(250e6)
    assert direct_rate(DISK, Condition(fill=0.0), 1.0) == pytest.approx(125e6)
    assert cached_rate(DISK, Condition(fill=0.0), 0.5) == pytest.approx(187.5e6)


def test_a_hot_drive_settles_where_heat_and_rate_agree() -> None:
    """In the steady state the throttled rate makes exactly the temperature that throttles it."""
    heat = Heat(
        idle_w=1.0, joule_per_byte=1e-8, resistance_c_per_w=10.0, time_constant_s=60.0, throttle_c=60.0
    )
    build = replace(FLASH, static_cache_bytes=0.0, direct_rate=1000e6, heat=heat)
    drive = Writing.begin(build, Condition(fill=0.1))
    for _ in range(400):
        drive.write(2e9)

    rate = 2e9 / drive.write(2e9)

    assert rate < 600e6
    assert drive.temperature_c == pytest.approx(settled_temperature(build, drive.condition, rate), abs=0.3)


def test_a_paced_take_below_the_direct_rate_loses_nothing() -> None:
    """A recorder at 59 MB/s is carried by 60 MB/s for ever."""
    assert not record(FLASH, PLAIN, duty(59e6)).lost


def test_frames_are_lost_when_the_arithmetic_says_so() -> None:
    """A 2 GB cache and 100 MB/s on 60 MB/s with a 100 MB buffer: lost after C/R + B/(R-f) = 22.5 s."""
    no_tidying = replace(FLASH, clean_share=0.0)
    before, after = 0.97 * 22.5 * 100e6, 1.03 * 22.5 * 100e6

    assert not record(no_tidying, PLAIN, duty(100e6, take=before), steps=400).lost
    assert record(no_tidying, PLAIN, duty(100e6, take=after), steps=400).lost


def test_a_pause_longer_than_the_buffer_loses_frames() -> None:
    """One second of buffer survives 0.9 s of silence and not 1.1 s."""
    assert not record(FLASH, PLAIN, duty(50e6), longest_stall_s=0.9).lost
    assert record(FLASH, PLAIN, duty(50e6), longest_stall_s=1.1).lost


@pytest.mark.parametrize("rate", [55e6, 62e6, 75e6, 110e6, 190e6])
@pytest.mark.parametrize("clean_share", [0.0, 0.5])
@pytest.mark.parametrize("cache", [0.0, 5e9, 60e9])
def test_the_coarse_take_agrees_with_a_play_in_tenths_of_a_second(
    rate: float, clean_share: float, cache: float
) -> None:
    """A second, slower reckoning of the same take, written apart, comes to the same loss."""
    build = replace(FLASH, clean_share=clean_share, static_cache_bytes=cache)
    asked = duty(rate, take=40e9)

    assert record(build, PLAIN, asked, steps=200).lost == slow_take_loses(build, PLAIN, asked)


def slow_take_loses(build: Build, condition: Condition, asked: Duty) -> bool:
    """Play a take in steps of a tenth of a second with the barest of bookkeeping."""
    step_s = 0.1
    left, backlog, written = build.static_cache_bytes, 0.0, 0.0
    shut = left <= 0.0
    while written < asked.take_bytes:
        backlog += asked.rate_bytes_per_s * step_s
        ability = (build.direct_rate if shut else build.cache_rate) * step_s
        accepted = min(backlog, ability)
        backlog -= accepted
        written += accepted
        if backlog > asked.rate_bytes_per_s * asked.buffer_s:
            return True
        if not shut:
            left -= accepted
        left += build.clean_share * build.direct_rate * (1.0 - accepted / ability) * step_s
        left = min(left, build.static_cache_bytes)
        if left <= 0.0:
            shut, left = True, 0.0
        elif shut and left > max(64e6, 0.02 * build.static_cache_bytes):
            shut = False
    return False
