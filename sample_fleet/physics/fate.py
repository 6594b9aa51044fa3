"""The truth about a drive: whether it is fit when taken on, and the first day it would lose frames."""

from dataclasses import dataclass, replace

from sample_fleet.physics.life import Day, days_of
from sample_fleet.physics.nature import Nature, Trouble
from sample_fleet.physics.recorder import Duty, Recording, record

_WEEK = 7


@dataclass(frozen=True, kw_only=True)
class Fate:
    """What happens to a drive in its role.

    Args:
        fit_at_start: Whether it carries the rate with the role's headroom on the day it is taken on.
        first_drop_day: First day on which the role's take would lose frames [d]; `None` if there is none.
        cause: Why; the trouble dealt to it, or what its design lacks.
        sudden: Whether nothing about the drive changed before the day it failed.
    """

    fit_at_start: bool
    first_drop_day: int | None
    cause: Trouble
    sudden: bool


def plays(nature: Nature, day: Day, duty: Duty, rate_factor: float = 1.0) -> Recording:
    """Play the role's take on that day.

    The studio's roles grant no rest before a take: takes follow each other, so this one meets a cache that
    the one before it has spent, and has what the drive tidies up meanwhile.
    """
    duration_s = duty.take_bytes / duty.rate_bytes_per_s
    return record(
        nature.build,
        replace(day.condition, cache_spent_share=1.0),
        duty,
        longest_stall_s=day.longest_stall_s(duration_s),
        rate_factor=rate_factor,
    )


def fate_of(nature: Nature, seed: int, *, start_day: int, last_day: int) -> Fate:
    """Find the first day of lost frames from `start_day` on.

    The drive is looked at every seventh day while it carries its rate with the headroom to spare, and every
    day once it does not, or once its medium is sick: the longest pause of a day is a matter of chance.

    Args:
        nature: The drive.
        seed: The fleet's seed.
        start_day: Day on which it is taken into service [d].
        last_day: Last day looked at [d].
    """
    duty = nature.duty
    if duty is None:
        return Fate(fit_at_start=False, first_drop_day=None, cause=Trouble.NONE, sudden=False)
    fit_at_start, close, first = False, False, None
    for day in days_of(nature, seed, last_day):
        if day.number < start_day:
            continue
        if day.number == start_day:
            fit_at_start = not plays(nature, day, duty, duty.headroom).lost
        changing = day.number >= nature.course.onset_day
        if day.number % _WEEK == 0 or day.number == start_day:
            close = plays(nature, day, duty, duty.headroom * 1.15).lost
        if (close or changing) and plays(nature, day, duty).lost:
            first = day.number
            break
    cause = nature.course.trouble
    if first is not None and first < nature.course.onset_day:
        cause = Trouble.CACHE_TOO_SMALL
    sudden = cause is Trouble.CABLE and nature.course.pace <= 1.0
    return Fate(fit_at_start=fit_at_start, first_drop_day=first, cause=cause, sudden=sudden)
