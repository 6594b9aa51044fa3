"""The truth told of each drive, held against playing every single day."""

import pytest

from sample_fleet.physics.build import Build, Medium
from sample_fleet.physics.fate import fate_of, plays
from sample_fleet.physics.life import days_of
from sample_fleet.physics.nature import Filling, Nature, Trouble
from sample_fleet.physics.recorder import Duty, record
from sample_fleet.studio.invent import SMALL, Presence, invent

SEEDS = (3, 8, 21)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_first_day_of_loss_is_what_playing_every_day_finds(seed: int) -> None:
    """Looking at every seventh day while all is well misses nothing."""
    studio = invent(seed, SMALL)
    troubled = [d for d in studio.drives if d.nature.course.trouble is not Trouble.NONE]

    for drive in troubled:
        duty = drive.nature.duty
        assert duty is not None
        told = fate_of(drive.nature, seed, start_day=14, last_day=400).first_drop_day
        every_day = next(
            (
                day.number
                for day in days_of(drive.nature, seed, 400)
                if day.number >= 14 and plays(drive.nature, day, duty).lost
            ),
            None,
        )
        assert every_day == told, drive.nature.key


@pytest.mark.parametrize("seed", SEEDS)
def test_a_drive_without_trouble_that_is_fit_when_taken_on_stays_fit(seed: int) -> None:
    """Season, wander and saw-tooth fill alone lose no frames within the year."""
    for drive in invent(seed).drives:
        if drive.presence is Presence.FIXED and drive.nature.course.trouble is Trouble.NONE:
            fate = fate_of(drive.nature, seed, start_day=14, last_day=365)
            assert fate.first_drop_day is None or not fate.fit_at_start, drive.nature.key


def test_each_trouble_loses_frames_somewhere() -> None:
    """Over some seeds every kind of trouble comes to a loss on a fixed drive that was fit at first."""
    seen: set[Trouble] = set()
    for seed in range(1, 10):
        for drive in invent(seed).drives:
            if drive.presence is Presence.FIXED:
                fate = fate_of(drive.nature, seed, start_day=14, last_day=365)
                if fate.first_drop_day is not None:
                    seen.add(fate.cause)

    assert seen == set(Trouble) - {Trouble.NONE}


def test_no_loss_comes_before_the_trouble_begins() -> None:
    """A drive that was fit at first loses its first frame after the onset."""
    for seed in SEEDS:
        for drive in invent(seed, SMALL).drives:
            fate = fate_of(drive.nature, seed, start_day=14, last_day=400)
            if fate.fit_at_start and fate.first_drop_day is not None and fate.cause is not Trouble.NONE:
                assert fate.cause is Trouble.CACHE_TOO_SMALL or (
                    fate.first_drop_day >= int(drive.nature.course.onset_day)
                ), drive.nature.key


def test_a_take_meets_the_cache_that_the_one_before_it_spent() -> None:
    """A cache larger than the take saves nobody whose role grants no rest between takes."""
    nature = Nature(
        key="drive-x",
        build=Build(
            medium=Medium.FLASH,
            capacity_bytes=2_000_000_000_000,
            cache_rate=500e6,
            direct_rate=80e6,
            static_cache_bytes=100e9,
        ),
        duty=Duty(rate_bytes_per_s=100e6, buffer_s=1.0, take_bytes=50e9),
        link_bytes_per_s=600e6,
        filling=Filling(low=0.1, high=0.2, period_days=20.0, phase_days=0.0),
    )
    day = next(days_of(nature, 1, 1))
    assert nature.duty is not None

    assert plays(nature, day, nature.duty).lost
    assert not record(nature.build, day.condition, nature.duty).lost
