"""Names the shape of a trace, so that one cliff is not confused with dips, sagging or a slide."""

from dataclasses import dataclass
from enum import StrEnum


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
        slide_share: By how much the rate fell within the plateaus, cliffs left out [1].
        dip_period_s: From one dip to the next, where dips come regularly [s]; else None.
        dip_depth_share: How deep the dips go below the rate between them [1]; None without dips.
    """

    shape: Shape
    slide_share: float
    dip_period_s: float | None = None
    dip_depth_share: float | None = None
