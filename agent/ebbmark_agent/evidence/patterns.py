"""Names the shape of a trace, so that one cliff is not confused with dips, sagging or a slide.

The first of these that is true is the name; the figures beside it stand whatever the name:

1. `too_short`: not two seconds were written.
2. `long_stalls`: the drive stood for five seconds or more, at least twice, for a fifth of the time.
3. `several_cliffs`, `one_cliff`: the rate fell at once and did not come back.
4. `periodic_dips`: stalls or short dips at even distances, in between the old rate.
5. `thermal_sag`: the rate falls for longer and comes back. Heat is the usual reason; a trace cannot prove it.
6. `inner_tracks`: on a rotating disk, a slide no deeper than its tracks explain. `slow_slide`: any other.
7. `uneven`: the rate varies by more than a seventh. `flat`: none of these.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from ebbmark_agent.evidence.plateaus import Division
from ebbmark_agent.evidence.points import interpolate_all
from ebbmark_agent.evidence.spread import median, quantile, slice_rates
from ebbmark_agent.evidence.stalls import even_distance_s
from ebbmark_agent.evidence.trace import Trace

SHORT_S = 2.0  # [s] own
LONG_STALL_S = 5.0  # [s] own: no recorder's buffer bridges it
LONG_STALLS_SHARE = 0.2  # [1] own
DIP_SHARE = 0.75  # [1] of the middle rate: slower slices are dips
FEWEST_DIPS = 4  # [1] own: three distances make a period
LONGEST_DIP_S = 5.0  # [s] own: what lasts longer is a sag
SLIDE_SHARE = 0.08  # [1] own: smaller slides do not change a judgement
RECOVERED_SHARE = 0.5  # [1] of a sag must come back
INNER_SHARE = 0.65  # [1] common practice, no source: innermost tracks are about half as long as outermost
UNEVEN_SHARE = 0.15  # [1] own
PARTS = 40  # [1] a slide is looked at in up to this many parts
FEWEST_PARTS = 5  # [1]
SHORTEST_PART_S = 2.0  # [s] own: twenty slices of a throttle


class Shape(StrEnum):
    """What a trace looks like as a whole."""

    TOO_SHORT = "too_short"
    FLAT = "flat"
    ONE_CLIFF = "one_cliff"
    SEVERAL_CLIFFS = "several_cliffs"
    PERIODIC_DIPS = "periodic_dips"
    THERMAL_SAG = "thermal_sag"
    SLOW_SLIDE = "slow_slide"
    INNER_TRACKS = "inner_tracks"
    LONG_STALLS = "long_stalls"
    UNEVEN = "uneven"


@dataclass(frozen=True, kw_only=True, slots=True)
class Pattern:
    """The shape of a trace with the figures that speak for it.

    Attributes:
        shape: Its name.
        slide_share: By how much the rate fell gradually from begin to end, cliffs left out [1].
        sag_share: How far it sagged below both what was before and what came after [1].
        dip_period_s: From one dip or stall to the next, where they come regularly [s]; else None.
        dip_depth_share: How deep the dips go below the rate between them [1]; None without regular dips.
    """

    shape: Shape
    slide_share: float
    sag_share: float = 0.0
    dip_period_s: float | None = None
    dip_depth_share: float | None = None


def pattern_of(trace: Trace, division: Division, rotating: bool | None = None) -> Pattern:
    """Name the shape of a trace.

    Args:
        trace: The trace.
        division: Its start-up, plateaus and stalls.
        rotating: Whether the drive is a rotating disk, where that is known.

    Returns:
        The name with its figures.
    """
    pieces = _between_cliffs(division)
    slides = [_slide_and_sag(trace, division, start_s, end_s) for start_s, end_s in pieces]
    slide, sag = max(slide for slide, _ in slides), max(sag for _, sag in slides)
    dips = _dips(trace, division)
    unnamed = Pattern(
        shape=Shape.FLAT,
        slide_share=slide,
        sag_share=sag,
        dip_period_s=dips[0] if dips else None,
        dip_depth_share=dips[1] if dips else None,
    )
    return replace(unnamed, shape=_shape(trace, division, unnamed, rotating))


def _shape(trace: Trace, division: Division, pattern: Pattern, rotating: bool | None) -> Shape:
    last_s = division.plateaus[-1].length_s
    cliffs = sum(plateau.after_cliff for plateau in division.plateaus)
    stood = [stall.length_s for stall in division.stalls if stall.length_s >= LONG_STALL_S]
    slides = pattern.slide_share >= SLIDE_SHARE
    checks = (
        (trace.duration_s < SHORT_S, Shape.TOO_SHORT),
        (len(stood) > 1 and sum(stood) >= LONG_STALLS_SHARE * last_s, Shape.LONG_STALLS),
        (cliffs > 1, Shape.SEVERAL_CLIFFS),
        (cliffs == 1, Shape.ONE_CLIFF),
        (pattern.dip_period_s is not None, Shape.PERIODIC_DIPS),
        (pattern.sag_share >= SLIDE_SHARE, Shape.THERMAL_SAG),
        (slides and rotating is True and pattern.slide_share <= INNER_SHARE, Shape.INNER_TRACKS),
        (slides, Shape.SLOW_SLIDE),
        (_unevenness(trace, division) > UNEVEN_SHARE, Shape.UNEVEN),
    )
    return next((shape for holds, shape in checks if holds), Shape.FLAT)


def _between_cliffs(division: Division) -> list[tuple[float, float]]:
    cliffs = [plateau.start_s for plateau in division.plateaus if plateau.after_cliff]
    marks = [division.plateaus[0].start_s, *cliffs, division.plateaus[-1].end_s]
    return [(start_s, end_s) for start_s, end_s in pairwise(marks) if end_s > start_s]


def _slide_and_sag(trace: Trace, division: Division, start_s: float, end_s: float) -> tuple[float, float]:
    """Measure how far the rate falls from begin to end, and how far it sags and comes back [1]."""
    rates = _smooth_rates(trace, division, start_s, end_s)
    if len(rates) < FEWEST_PARTS:
        return 0.0, 0.0
    near = max(1, len(rates) // 10)
    first, last = median(rates[:near]), median(rates[-near:])
    slide = max(0.0, 1 - last / first) if first > 0 else 0.0
    sag, highest = 0.0, rates[0]
    for index, rate in enumerate(rates[1:-1], start=1):
        after = max(rates[index + 1 :])
        if highest > 0 and after - rate >= RECOVERED_SHARE * (highest - rate):
            sag = max(sag, min(highest, after) / highest - rate / highest)
        highest = max(highest, rate)
    wobble = _wobble(rates)
    return (slide if slide > wobble else 0.0), (sag if sag > 2 * wobble else 0.0)


def _smooth_rates(trace: Trace, division: Division, start_s: float, end_s: float) -> list[float]:
    """Give the rate over even parts of a stretch by the clock without stalls [bytes/s]."""
    stood = [(stall.start_s, stall.length_s) for stall in division.stalls if start_s <= stall.start_s < end_s]
    running_s = end_s - start_s - sum(length_s for _, length_s in stood)
    parts = min(PARTS, int(running_s / SHORTEST_PART_S))
    if parts < 1:
        return []
    clock, real = [0.0], [start_s]
    for at_s, length_s in stood:
        clock += [clock[-1] + at_s - real[-1]] * 2
        real += [at_s, at_s + length_s]
    clock.append(clock[-1] + end_s - real[-1])
    real.append(end_s)
    marks = interpolate_all(clock, real, (running_s * index / parts for index in range(parts + 1)))
    totals = trace.bytes_at_all(marks)
    return [(after - before) / (running_s / parts) for before, after in pairwise(totals)]


def _wobble(rates: Sequence[float]) -> float:
    """Give how far neighbouring parts differ by chance, as a share of their middle rate [1]."""
    middle = median(rates)
    return 3 * median([abs(after - before) for before, after in pairwise(rates)]) / middle if middle else 1.0


def _dips(trace: Trace, division: Division) -> tuple[float, float] | None:
    """Find dips at even distances on the last plateau: their period [s] and depth [1]."""
    last = division.plateaus[-1]
    stalls = [stall.start_s for stall in division.stalls if stall.start_s >= last.start_s]
    stall_period_s = even_distance_s(stalls)
    if stall_period_s is not None:
        return stall_period_s, 1.0
    rates = slice_rates(trace, last.start_s, last.end_s, max(0.5, last.length_s / 2000))
    slice_s = last.length_s / len(rates)
    middle = median(rates)
    low = [rate < DIP_SHARE * middle for rate in rates]
    starts = [index for index, (before, now) in enumerate(pairwise(low), start=1) if now and not before]
    low_s = sum(low) * slice_s
    if len(starts) < FEWEST_DIPS or low_s > last.length_s / 2 or low_s > LONGEST_DIP_S * len(starts):
        return None
    period_s = even_distance_s([index * slice_s for index in starts])
    if period_s is None:
        return None
    # slices at a dip's edges are only half in it, so the lower ones tell its depth
    depth = (
        1 - quantile(sorted(rate for rate, is_low in zip(rates, low, strict=True) if is_low), 0.25) / middle
    )
    return period_s, depth


def _unevenness(trace: Trace, division: Division) -> float:
    last = division.plateaus[-1]
    rates = slice_rates(trace, last.start_s, last.end_s, max(1.0, last.length_s / 2000))
    middle = median(rates)
    return 1.4826 * median([abs(rate - middle) for rate in rates]) / middle if middle else 1.0
