"""A drive's days in order: from its nature and small daily chances to each day's condition and counters."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from sample_fleet.physics.build import Medium
from sample_fleet.physics.condition import Condition
from sample_fleet.physics.nature import Nature, Trouble

_CALM_STALLS_PER_HOUR = 0.5  # [1/h] housekeeping pauses of a healthy drive
_CALM_STALL_S = 0.02  # [s]
_WORST_SICKNESS = 1.2  # [1] a drive worse than this would not be found at all


@dataclass(frozen=True, kw_only=True)
class Counters:
    """What the drive itself counts, all since it was made."""

    written_bytes: int
    power_on_hours: int
    percentage_used: int
    spare_percent: int
    reallocated: int
    pending: int
    uncorrectable: int
    media_errors: int
    crc_errors: int
    warm_minutes: int


@dataclass(frozen=True, kw_only=True)
class Day:
    """One day of a drive.

    Args:
        number: Days since the story began [d].
        condition: State before the day's work.
        counters: The drive's own counters.
        stall_luck: Uniform chance that decides the longest pause of the day's take [1].
    """

    number: int
    condition: Condition
    counters: Counters
    stall_luck: float

    def longest_stall_s(self, duration_s: float) -> float:
        """Give the longest pause in a take of this length; pauses come by chance, exponentially long."""
        number = self.condition.stalls_per_hour * duration_s / 3600.0
        if number <= 0.0:
            return 0.0
        return max(
            0.0, self.condition.stall_scale_s * (math.log(number) - math.log(-math.log(self.stall_luck)))
        )


def days_of(nature: Nature, seed: int, last_day: int) -> Iterator[Day]:
    """Live through a drive's days from 0 to `last_day`, the same for the same nature and seed."""
    chance = Random(f"{seed}/{nature.key}/life")
    wander = chance.gauss(0.0, 0.012)
    air = 0.0
    tally = _Tally(
        written=nature.wear_at_start * (nature.build.endurance_bytes or 0.0) / nature.amplification,
        hours=2000.0 + 6000.0 * chance.random(),
        warm=0.0,
        first_sign=chance.uniform(0.12, 0.35),
        crc_days=[chance.uniform(0, 365) for _ in range(nature.harmless_crc)],
    )
    for number in range(last_day + 1):
        wander = 0.97 * wander + chance.gauss(0.0, 0.003)
        air = 0.8 * air + chance.gauss(0.0, 0.6)
        season = math.sin(2.0 * math.pi * (number - 100) / 365.0)
        ambient = nature.ambient_c + nature.season_c * season + air
        condition = _condition(nature, number, tally.written, ambient, math.exp(wander))
        tally.warm += _warm_minutes(nature, condition)
        yield Day(
            number=number,
            condition=condition,
            counters=_counters(nature, number, tally),
            stall_luck=chance.uniform(1e-6, 1.0),
        )
        tally.written += nature.written_per_day * (0.5 + chance.random())
        tally.hours += 16.0


def progress(nature: Nature, number: float) -> float:
    """Give how far a cable's or a sick medium's course has come [1]; 0 before its onset."""
    course = nature.course
    return max(0.0, (number - course.onset_day) / course.pace)


def _condition(nature: Nature, number: int, written: float, ambient: float, wander: float) -> Condition:
    course, build, detour = nature.course, nature.build, nature.detour
    since = max(0.0, number - course.onset_day)
    fill = nature.filling.share(number)
    known, dust, link, link_share, sickness = float(nature.trims), 1.0, nature.link_bytes_per_s, 1.0, 0.0
    if course.trouble is Trouble.FULL:
        fill = min(0.985, fill + course.pace * since)
    elif course.trouble is Trouble.UNTRIMMED:
        known *= math.exp(-since / course.pace)
    elif course.trouble is Trouble.HOT:
        dust = 1.0 + course.pace * since
    elif course.trouble is Trouble.SICK:
        sickness = min(_WORST_SICKNESS, progress(nature, number))
    elif course.trouble is Trouble.CABLE:
        gone = progress(nature, number)
        link_share = 1.0 - 0.3 * min(1.0, gone) ** 2
        if gone >= 1.0:
            link, link_share = course.end_link_bytes_per_s, 0.88
    if detour is not None and detour[0] <= number < detour[1]:
        link = min(link, detour[2])
    wear = 0.0
    if build.endurance_bytes:
        wear = written * nature.amplification / build.endurance_bytes
    return Condition(
        fill=fill,
        known_free_share=known,
        wear=wear,
        ambient_c=ambient,
        dust=dust,
        link_bytes_per_s=link,
        link_share=link_share,
        sickness=sickness,
        stalls_per_hour=_CALM_STALLS_PER_HOUR + (2.0 * math.exp(3.0 * sickness) if sickness else 0.0),
        stall_scale_s=_CALM_STALL_S + (0.03 * math.exp(3.2 * sickness) if sickness else 0.0),
        wander=wander,
    )


def _warm_minutes(nature: Nature, condition: Condition) -> float:
    """Give the day's minutes above the warning temperature, a few degrees under the throttling one [min]."""
    heat, duty = nature.build.heat, nature.duty
    if heat is None or duty is None:
        return 0.0
    watts = heat.idle_w + heat.joule_per_byte * duty.rate_bytes_per_s
    reached = condition.ambient_c + heat.resistance_c_per_w * condition.dust * watts
    over = reached - (heat.throttle_c - 4.0)
    return min(60.0, max(0.0, 10.0 * over))


@dataclass
class _Tally:
    """What adds up from day to day."""

    written: float
    hours: float
    warm: float
    first_sign: float
    crc_days: list[float]


def _counters(nature: Nature, number: int, tally: _Tally) -> Counters:
    crc = sum(1 for at in tally.crc_days if at <= number)
    course, build = nature.course, nature.build
    reallocated, pending, errors, spare = nature.harmless_reallocated, 0, 0, 100
    gone = progress(nature, number)
    if course.trouble is Trouble.SICK and course.visible_in_health and gone > tally.first_sign:
        grown = gone - tally.first_sign
        pending = 1 + int(3.0 * (math.exp(3.0 * min(grown, 2.0)) - 1.0))
        reallocated += int(6.0 * (math.exp(4.0 * min(grown, 2.0)) - 1.0))
        errors = int(2.0 * (math.exp(3.5 * min(grown, 2.0)) - 1.0)) + int(grown > 0.1)
        spare = max(1, int(100 - 60.0 * grown))
    if course.trouble is Trouble.CABLE and course.visible_in_health and gone > 0.0:
        crc += int(4.0 * (math.exp(4.0 * min(gone, 1.5)) - 1.0)) + 1
    wear = tally.written * nature.amplification / build.endurance_bytes if build.endurance_bytes else 0.0
    flash = build.medium is Medium.FLASH
    return Counters(
        written_bytes=int(tally.written),
        power_on_hours=int(tally.hours),
        percentage_used=min(255, int(100.0 * wear)),
        spare_percent=spare,
        reallocated=reallocated,
        pending=0 if flash else pending,
        uncorrectable=0 if flash else errors,
        media_errors=errors if flash else 0,
        crc_errors=crc,
        warm_minutes=int(tally.warm),
    )
