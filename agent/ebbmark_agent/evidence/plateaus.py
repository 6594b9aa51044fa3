"""Divides a trace into its start-up and plateaus of one rate each, and says which begin with a cliff.

1. Stalls are taken out first, so that they neither hide nor feign a change of the rate between them.
2. A slower begin is start-up (a disk spinning up, the first allocation) and belongs to no plateau.
3. A plateau that the drive comes back from is none: what follows a rise is pooled with what was before.
4. A plateau begins with a cliff where the rate falls at once; where it falls gradually, it is a slide.
5. Stalls that set in at some byte and stay begin a plateau too: the drive's cache is used up.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from ebbmark_agent.evidence.changes import LEAST_STEP, SHORTEST_S, Stretch, stretches
from ebbmark_agent.evidence.corners import corner, falls_at_once
from ebbmark_agent.evidence.points import interpolate
from ebbmark_agent.evidence.stalls import SHORTEST_STALL_S, Stall, long_steps, pace_around, without_echoes
from ebbmark_agent.evidence.trace import Trace

LONGEST_START_UP_S = 30.0  # [s] common practice, no source: a disk has spun up by then
START_UP_SHARE = 0.25  # [1] of the trace at most
RISE = 1.1  # [1] a begin this much slower than what follows is start-up
NEARER = 0.75  # [1] of the way between two rates: nearer than this is as good as there
COME_BACK_LENGTH = 0.5  # [1] of the plateau before: how long a drive must be as fast again to have come back
COME_BACK_SHARE = 0.1  # [1] of the time after: a cache that refills now and then stays below
LIKE_LENGTH = 0.8  # [1] an earlier dip this long says as much as the last one
FEWEST_STALLS = 2  # [1] one stall is no habit
DOUBTFUL_S = 1.0  # [s] own: ten slices of a throttle
STALL_ODDS = 12.0  # [1] twice the log likelihood ratio; chance alone reaches it once in hundreds of traces


@dataclass(frozen=True, kw_only=True, slots=True)
class Plateau:
    """A stretch of a trace with one rate.

    Attributes:
        start_s: Where it begins [s].
        end_s: Where it ends [s].
        start_byte: Bytes written at its begin [bytes].
        end_byte: Bytes written at its end [bytes].
        after_cliff: Whether the rate fell at once at its begin.
    """

    start_s: float
    end_s: float
    start_byte: float
    end_byte: float
    after_cliff: bool = False

    @property
    def length_s(self) -> float:
        """Give how long it lasts [s]."""
        return self.end_s - self.start_s

    @property
    def mean_bytes_per_s(self) -> float:
        """Give its mean rate, stalls included [bytes/s]."""
        return (self.end_byte - self.start_byte) / self.length_s


@dataclass(frozen=True, kw_only=True, slots=True)
class Division:
    """A trace divided.

    Attributes:
        ramp_s: How long the start-up took; 0 without one [s].
        plateaus: The plateaus after it in order, without gaps; at least one.
        lasting_bytes_per_s: The rate that lasts: the mean of the last plateau, or of its rest after its
            first second where that is less, so that a doubtful begin leaves nothing faster in it
            [bytes/s].
        stalls: The stalls after it in order.
        stretches: Where the rate between stalls changed in any way, by the clock without stalls.
    """

    ramp_s: float
    plateaus: tuple[Plateau, ...]
    lasting_bytes_per_s: float
    stalls: tuple[Stall, ...]
    stretches: tuple[Stretch, ...]


def plateaus(trace: Trace) -> tuple[Plateau, ...]:
    """Divide a trace into plateaus, the start-up left out.

    Args:
        trace: The trace.

    Returns:
        The plateaus in order, without gaps; at least one.
    """
    return divide(trace).plateaus


def divide(trace: Trace) -> Division:
    """Divide a trace into its start-up and plateaus.

    Args:
        trace: The trace.

    Returns:
        The parts.
    """
    long = list(long_steps(trace))
    clock = _clock_without_stalls(trace, long)
    found = stretches(clock, trace.total_bytes)
    start_up = _start_up(found)
    rest = found[start_up:]
    levels = _levels(rest, clock, trace.total_bytes)
    edges = _edges(levels, clock, trace.total_bytes)
    ramp_s = _first_step_s(trace, clock)
    if start_up:
        ramp_s, _ = _real_mark(trace, clock, rest[0].start_s, rest[0].start_byte)
    stalls = tuple(stall for stall in without_echoes(step for _, step in long) if stall.start_s >= ramp_s)
    marks = [
        (ramp_s, trace.bytes_at(ramp_s), False),
        *((*_real_mark(trace, clock, at_s, at_byte), abrupt) for at_s, at_byte, abrupt in edges),
        (trace.duration_s, trace.written_bytes, False),
    ]
    parts = [
        Plateau(start_s=start[0], end_s=end[0], start_byte=start[1], end_byte=end[1], after_cliff=start[2])
        for start, end in pairwise(marks)
    ]
    pieces = tuple(piece for part in parts for piece in _where_stalls_set_in(part, stalls))
    return Division(
        ramp_s=ramp_s,
        plateaus=pieces,
        lasting_bytes_per_s=_lasting(trace, pieces),
        stalls=stalls,
        stretches=tuple(rest),
    )


def _lasting(trace: Trace, pieces: Sequence[Plateau]) -> float:
    """Give the rate that lasts [bytes/s]."""
    last = pieces[-1]
    if len(pieces) == 1:
        return last.mean_bytes_per_s
    start_s = last.start_s + min(DOUBTFUL_S, last.length_s / 4)
    rest = (last.end_byte - trace.bytes_at(start_s)) / (last.end_s - start_s)
    return min(last.mean_bytes_per_s, rest)


def _clock_without_stalls(trace: Trace, long: Sequence[tuple[int, Stall]]) -> list[float]:
    """Give each point's time on a clock that stands while the drive does."""
    if not long:
        return list(trace.times_s)  # it never stood
    stood: dict[int, float] = {}
    for index, step in long:
        pace = pace_around(trace, step.start_s, step.start_s + step.length_s)
        assert pace
        stood[index] = step.length_s - (trace.total_bytes[index] - step.at_byte) / pace
    clock: list[float] = []
    stood_s = 0.0
    for index, at_s in enumerate(trace.times_s):
        stood_s += stood.get(index, 0.0)
        clock.append(at_s - stood_s)
    return clock


def _real_mark(trace: Trace, clock: Sequence[float], at_s: float, at_byte: float) -> tuple[float, float]:
    """Translate a time of the clock without stalls to the trace's; a stall right there lies after it."""
    index = bisect_left(clock, at_s)
    if index == len(clock) or clock[index] == at_s:
        return trace.times_s[min(index, len(clock) - 1)], at_byte
    if (
        trace.times_s[index] - trace.times_s[index - 1]
        > clock[index] - clock[index - 1] + SHORTEST_STALL_S / 2
    ):
        return trace.times_s[index - 1], trace.total_bytes[index - 1]
    return interpolate(clock, trace.times_s, at_s), at_byte


def _first_step_s(trace: Trace, clock: Sequence[float]) -> float:
    """Give how long the first step stood still: a disk that had to spin up [s]."""
    stood_s = trace.times_s[1] - clock[1]
    return stood_s if stood_s <= LONGEST_START_UP_S else 0.0


def _start_up(found: Sequence[Stretch]) -> int:
    """Count the leading stretches that are start-up."""
    limit_s = min(LONGEST_START_UP_S, START_UP_SHARE * found[-1].end_s)
    count = 0
    while count + 1 < len(found):
        this, after = found[count], found[count + 1]
        if after.rate_bytes_per_s < RISE * this.rate_bytes_per_s or this.end_s > limit_s:
            break
        count += 1
    return count


def _levels(found: Sequence[Stretch], clock: Sequence[float], totals: Sequence[float]) -> list[list[Stretch]]:
    """Group stretches so that the groups' rates only fall, each by a step worth naming."""
    groups: list[list[Stretch]] = []
    for stretch in found:
        groups.append([stretch])
        while len(groups) > 1 and _rate(groups[-1]) > (1 - LEAST_STEP) * _rate(groups[-2]):
            groups[-2:] = [groups[-2] + groups[-1]]
    index = 1
    while index < len(groups):
        before, after = groups[index - 1], groups[index]
        is_last = index == len(groups) - 1
        if _comes_back(before, after, clock, totals) or (
            is_last and _seen_before(before, after, clock, totals)
        ):
            groups[index - 1 : index + 1] = [before + after]
            index = max(1, index - 1)
        else:
            index += 1
    return groups


def _rate(group: Sequence[Stretch]) -> float:
    return (group[-1].end_byte - group[0].start_byte) / (group[-1].end_s - group[0].start_s)


def _length_s(group: Sequence[Stretch]) -> float:
    return group[-1].end_s - group[0].start_s


def _comes_back(
    before: Sequence[Stretch], after: Sequence[Stretch], clock: Sequence[float], totals: Sequence[float]
) -> bool:
    """Tell whether the drive runs as fast as before for a share of the time after: uneven, no cliff."""
    count = min(2000, int(_length_s(after) / (COME_BACK_LENGTH * _length_s(before))))
    if count < 1:
        return False
    start_s, step_s = after[0].start_s, _length_s(after) / count
    marks = [interpolate(clock, totals, start_s + index * step_s) for index in range(count + 1)]
    enough = (NEARER * _rate(before) + (1 - NEARER) * _rate(after)) * step_s
    return sum(later - earlier >= enough for earlier, later in pairwise(marks)) >= COME_BACK_SHARE * count


def _seen_before(
    before: Sequence[Stretch], after: Sequence[Stretch], clock: Sequence[float], totals: Sequence[float]
) -> bool:
    """Tell whether the drive was about as slow for as long before and came back: one more dip."""
    length_s = LIKE_LENGTH * _length_s(after)
    moved = (NEARER * _rate(after) + (1 - NEARER) * _rate(before)) * length_s
    start_s, end_s = before[0].start_s, before[-1].end_s - length_s  # coming back takes as long again
    step_s = max(length_s / 4, (end_s - start_s) / 2000)
    at_s = start_s
    while at_s + length_s <= end_s:
        if interpolate(clock, totals, at_s + length_s) - interpolate(clock, totals, at_s) <= moved:
            return True
        at_s += step_s
    return False


def _edges(
    levels: Sequence[Sequence[Stretch]], clock: Sequence[float], totals: Sequence[float]
) -> list[tuple[float, float, bool]]:
    """Give each change of level: when (without stalls) [s], at which byte [bytes], and whether at once."""
    edges: list[tuple[float, float, bool]] = []
    steps: list[float] = []
    for before, after in pairwise(levels):
        abrupt = falls_at_once(clock, totals, before[-1], after[0])
        at_s, at_byte = after[0].start_s, after[0].start_byte
        if abrupt:
            at_s, at_byte = corner(clock, totals, before[-1], after[0])
        step = _rate(before) - _rate(after)
        if edges and at_s - edges[-1][0] < SHORTEST_S:  # the sliver between is no plateau
            if step <= steps[-1]:
                continue
            del edges[-1], steps[-1]
        edges.append((at_s, at_byte, abrupt))
        steps.append(step)
    return edges


def _where_stalls_set_in(part: Plateau, stalls: Sequence[Stall]) -> list[Plateau]:
    """Split a plateau at the byte from which on stalls are far more frequent, if there is one."""
    inside = [stall for stall in stalls if part.start_s <= stall.start_s < part.end_s]
    best, best_odds = None, STALL_ODDS
    stood_s = 0.0
    for count, stall in enumerate(inside):
        ran_s = stall.start_s - part.start_s - stood_s
        stood_s += stall.length_s
        if ran_s < SHORTEST_S or len(inside) - count < FEWEST_STALLS:
            continue
        odds = _stall_odds(
            count, stall.at_byte - part.start_byte, len(inside) - count, part.end_byte - stall.at_byte
        )
        if odds > best_odds:
            best, best_odds = stall, odds
    if best is None:
        return [part]
    before = replace(part, end_s=best.start_s, end_byte=best.at_byte)
    after = replace(part, start_s=best.start_s, start_byte=best.at_byte, after_cliff=True)
    if after.mean_bytes_per_s > (1 - LEAST_STEP) * before.mean_bytes_per_s:
        return [part]
    return [before, after]


def _stall_odds(count: int, before_bytes: float, later: int, after_bytes: float) -> float:
    """Weigh two stall frequencies against one: twice the log likelihood ratio of Poisson counts [1].

    Source: S. S. Wilks, Annals of Mathematical Statistics 9 (1), 1938 (the ratio's distribution).
    """
    if before_bytes <= 0 or after_bytes <= 0:
        return 0.0
    whole = (count + later) / (before_bytes + after_bytes)
    if later / after_bytes <= count / before_bytes:
        return 0.0
    odds = later * math.log(later / after_bytes / whole)
    if count:
        odds += count * math.log(count / before_bytes / whole)
    return 2 * odds
