"""Which trouble befalls a drive, when it begins and how fast it goes."""

import math
from dataclasses import replace
from random import Random

from sample_fleet.physics.build import Medium
from sample_fleet.physics.nature import Course, Nature, Trouble
from sample_fleet.studio.lines import LINK_BYTES_PER_S, WORST_LINK, Line
from sample_fleet.studio.spread import Spread

_WEIGHTS = {
    Trouble.WORN: 2.5,
    Trouble.FULL: 1.5,
    Trouble.UNTRIMMED: 1.5,
    Trouble.HOT: 1.5,
    Trouble.CABLE: 2.0,
    Trouble.SICK: 2.0,
}


def befall(draw: Random, spread: Spread, nature: Nature, line: Line) -> Nature:
    """Deal a trouble that can befall this kind of drive, its day and its pace."""
    trouble = _choose(draw, nature, line)
    course = Course(trouble=trouble, onset_day=draw.uniform(16, 290), visible_in_health=draw.random() < 0.7)
    match trouble:
        case Trouble.CABLE:
            return replace(nature, course=_loosening(draw, spread, course, line))
        case Trouble.SICK:
            return replace(nature, course=replace(course, pace=draw.uniform(45, 130) / spread.sickness))
        case Trouble.HOT:
            return _heating(draw, spread, nature, course)
    # The rest only bites where the drive is not far too fast for its role.
    nature = _narrow(draw, nature, trouble)
    if trouble is Trouble.WORN:
        return _wearing(draw, spread, nature, course)
    if trouble is Trouble.FULL:
        return replace(nature, course=replace(course, pace=draw.uniform(0.002, 0.006) * spread.pace))
    return replace(nature, course=replace(course, pace=draw.uniform(15, 50) / spread.pace))


def _choose(draw: Random, nature: Nature, line: Line) -> Trouble:
    flash = nature.build.medium is Medium.FLASH
    possible = {Trouble.CABLE, Trouble.SICK}
    if flash:
        possible |= {Trouble.WORN, Trouble.FULL, Trouble.UNTRIMMED}
    if nature.build.heat is not None:
        possible.add(Trouble.HOT)
    fitting = [trouble for trouble in _WEIGHTS if trouble in possible]
    trouble = draw.choices(fitting, [_WEIGHTS[t] for t in fitting])[0]
    assert nature.duty is not None
    harmless = LINK_BYTES_PER_S[WORST_LINK[line.link]] * 0.8 > nature.duty.rate_bytes_per_s
    if trouble is Trouble.CABLE and harmless and flash and draw.random() < 0.7:
        trouble = draw.choice((Trouble.FULL, Trouble.UNTRIMMED, Trouble.WORN))  # most bad cables shall hurt
    return trouble


def _loosening(draw: Random, spread: Spread, course: Course, line: Line) -> Course:
    """Let a cable go bad over weeks, or, three times in ten, from one evening to the next."""
    sudden = draw.random() < 0.3
    pace = 0.5 if sudden else draw.uniform(10, 45) / spread.pace
    return replace(course, pace=pace, end_link_bytes_per_s=LINK_BYTES_PER_S[WORST_LINK[line.link]])


def _narrow(draw: Random, nature: Nature, trouble: Trouble) -> Nature:
    """Leave the drive a modest margin over its role, and let a lack of free blocks be able to eat it up."""
    build, duty = nature.build, nature.duty
    assert duty is not None
    margin = draw.uniform(1.4, 1.75)
    worst_room = 0.22 / (build.spare_share + (0.03 if trouble is Trouble.FULL else 0.0)) - 1.0
    crowding = max(build.crowding, draw.uniform(1.1, 1.6) * (margin - 1.0) / worst_room)
    return replace(
        nature, build=replace(build, direct_rate=duty.rate_bytes_per_s * margin, crowding=crowding)
    )


def _wearing(draw: Random, spread: Spread, nature: Nature, course: Course) -> Nature:
    """Let wear pass the drive's knee at the onset and slow it by a quarter in some weeks."""
    build = nature.build
    assert build.endurance_bytes is not None
    per_day = draw.uniform(0.3, 0.7) / 365.0
    knee = draw.uniform(0.75, 1.15)
    quarter_days = draw.uniform(30, 90) / spread.pace
    return replace(
        nature,
        build=replace(build, wear_knee=knee, wear_slope=math.log(1.25) / (quarter_days * per_day)),
        written_per_day=build.endurance_bytes * per_day / nature.amplification,
        wear_at_start=max(0.05, knee - per_day * course.onset_day),
        course=course,
    )


def _heating(draw: Random, spread: Spread, nature: Nature, course: Course) -> Nature:
    """Put the drive where little air moves: its role just leaves it cool, until dust gathers."""
    heat, duty = nature.build.heat, nature.duty
    assert heat is not None
    assert duty is not None
    watts = heat.idle_w + heat.joule_per_byte * duty.rate_bytes_per_s
    reserve = draw.uniform(12.0, 20.0)
    resistance = (heat.throttle_c - reserve - nature.ambient_c - nature.season_c) / watts
    build = replace(nature.build, heat=replace(heat, resistance_c_per_w=resistance))
    return replace(nature, build=build, course=replace(course, pace=draw.uniform(0.005, 0.013) * spread.pace))
