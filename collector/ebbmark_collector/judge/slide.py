"""Is a series sliding, how steeply, and when does it meet a limit.

Rules.

1. Figures are taken as logarithms: a drive loses a share of its rate, not a fixed number of bytes/s.
2. Falling means: from six points on the Mann-Kendall test says so at 1 %, one side; or, with too few for that
   (a soak a month), the fall is at least `FEW_SIGMAS` of what a probe's own noise makes of a level series.
3. A drive is level for long and then falls, so the newest points are looked at by themselves as well, and the
   steepest fall that is sure is the course. Sure is also a newest point `SHIFT_SIGMAS` beneath the median of
   all before the fall, as long as it still falls: then the newest points give the slope.
4. A date is given only for a falling series. Its interval comes from the slope's: Sen's, or with fewer than
   `SEN_FROM` points the one that the probe's noise implies.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from math import log, sqrt
from statistics import fmean, median

from ebbmark_collector.judge.findings import Limit, Meeting, NoDate, Slide
from ebbmark_collector.judge.kendall import lag1_correlation, mann_kendall
from ebbmark_collector.judge.robust import mad_sigma
from ebbmark_collector.judge.series import Dot
from ebbmark_collector.judge.theil_sen import theil_sen

LEAST_POINTS = 3  # [1]
SEN_FROM = 6  # [1] points; below that Sen's interval spans all slopes and says nothing
FEW_SIGMAS = 4.5  # [1]
NOISE = 0.02  # [1] of ln(floor), what one soak repeats to; common practice, no source
SIGNIFICANT = 0.01  # [1] one-sided: many drives are looked at every day
NEWEST = (2, 3, 4, 6, 9, 13)  # [1] how many of the newest points are looked at by themselves
PAIR_SIGMAS = 6.0  # [1] for two points alone
LEAST_SHIFT = 0.08  # [1] of ln(figure): less is weather
SHIFT_SIGMAS = 5.0  # [1] beneath its level: no level series gets there by chance
HALF_90 = 1.645  # [1] normal quantile of a two-sided 90 % interval
LEAST_FALL_A_YEAR = 0.03  # [1/year] a slide slower than this meets nothing within a drive's life
FARTHEST_DAYS = 3650.0  # [days] dates beyond ten years are not told


def course(
    dots: Sequence[Dot], at: datetime, *, noise: float = NOISE, least: int = 2, least_days: float = 0.0
) -> Slide | None:
    """Find the course a series is on: the steepest sure fall among its newest points, else the whole series.

    Args:
        dots: Oldest first.
        at: The instant the level is told for.
        noise: What one point repeats to, at least [1].
        least: How many of the newest points may make the course by themselves [1].
        least_days: Over how long, at least: a fall between two near days is dated too soon [days].

    Returns:
        The slide; None with fewer than three points.
    """
    whole = slide(dots, at, noise=noise)
    if whole is None:
        return None
    if dots[-1].ln >= median([d.ln for d in dots]) - noise:
        return whole  # no fall ends where the series usually is
    own = max(noise, scatter_of([d.ln for d in dots]))
    parts = [
        slide(dots[-n:], at, noise=own, least=2)
        for n in NEWEST
        if least <= n < len(dots) and dots[-1].day - dots[-n].day >= least_days
    ]
    falling = [
        s
        for s in (*parts, whole, _left_its_level(dots, at, noise, least, least_days))
        if s is not None and s.falling
    ]
    return min(falling, key=lambda s: s.per_day, default=whole)


def _left_its_level(
    dots: Sequence[Dot], at: datetime, noise: float, least: int, least_days: float
) -> Slide | None:
    """Give the fall of the newest points where the last lies far beneath all before them and still falls."""
    found = []
    for n in range(least, 5 if least > 2 or least_days else 4):
        before, newest = dots[:-n], dots[-n:]
        if len(before) < LEAST_POINTS:
            break
        if newest[-1].day - newest[0].day < least_days:
            continue
        usual = [d.ln for d in before]
        sigma = max(noise, mad_sigma(usual), LEAST_SHIFT / SHIFT_SIGMAS)
        part = slide(newest, at, noise=sigma, least=2)
        sunk = newest[-1].ln - median(usual) <= -SHIFT_SIGMAS * sigma
        still = newest[-1].ln - newest[-2].ln <= -noise
        if part is not None and sunk and still and part.per_day < 0:
            found.append(replace(part, falling=True))
    # That it fell is sure, how steeply is not: the gentler slope dates it.
    return found[0] if found and least == 2 else max(found, key=lambda s: s.per_day, default=None)


def scatter_of(values: Sequence[float]) -> float:
    """Give the scatter of a series from the steps between neighbours, which a slide hardly widens [1].

    The difference of two like readings scatters sqrt(2) times as widely as one. With fewer than five values
    it is not told: 0.
    """
    steps = [b - a for a, b in pairwise(values)]
    return mad_sigma(steps) / 2**0.5 if len(steps) >= 4 else 0.0


def slide(
    dots: Sequence[Dot], at: datetime, *, noise: float = NOISE, least: int = LEAST_POINTS
) -> Slide | None:
    """Fit a series and test it; None with fewer than `least` points at different times."""
    if len({d.day for d in dots}) < least:
        return None
    x = [d.day for d in dots]
    y = [d.ln for d in dots]
    first = theil_sen(x, y)
    left = [b - first.intercept - first.slope * a for a, b in zip(x, y, strict=True)]
    lag1 = lag1_correlation(left)
    line = theil_sen(x, y, lag1=lag1) if lag1 else first
    test = mann_kendall(y, lag1=lag1)
    sigma = max(noise, mad_sigma(left))
    error = sigma / sqrt(_square_spread(x))
    low, high = line.low, line.high
    if len(dots) < SEN_FROM:
        low, high = line.slope - HALF_90 * error, line.slope + HALF_90 * error
    by_order = len(dots) >= SEN_FROM and test.p_falling <= SIGNIFICANT and high < 0
    sigmas = PAIR_SIGMAS if len(dots) == 2 else FEW_SIGMAS
    # Two as usual and one low are a reading, no course: of three, the middle one has fallen as well.
    alone = len(dots) == 3 and y[1] > y[0] - noise
    by_size = line.slope <= -sigmas * error and y[-1] <= median(y) and not alone
    steep = line.slope <= log(1 - LEAST_FALL_A_YEAR) / 365
    return Slide(
        at=at,
        per_day=line.slope,
        per_day_low=low,
        per_day_high=high,
        level=line.intercept,
        p_falling=test.p_falling,
        falling=steep and (by_order or by_size),
        count=len(dots),
    )


def meets(trend: Slide | None, limit: Limit, limit_value: float) -> Meeting:
    """Say when a falling series comes down to `limit_value`.

    Returns:
        With earliest, likely and latest (None where the gentler end of the interval never meets it), or with
        the reason why there is no date. A level already beneath the limit meets it at once.
    """
    if trend is None:
        return Meeting(limit=limit, limit_value=limit_value, no_date=NoDate.TOO_FEW)
    if limit_value <= 0 or not trend.falling:
        return _no_date(trend, limit, limit_value, NoDate.NO_TREND)
    down = log(limit_value) - trend.level
    likely = _days_to(down, trend.per_day)
    if likely is None or likely > FARTHEST_DAYS:
        return _no_date(trend, limit, limit_value, NoDate.BEYOND_HORIZON)
    return Meeting(
        limit=limit,
        limit_value=limit_value,
        points=trend.count,
        earliest=_date(trend.at, _days_to(down, trend.per_day_low)),
        likely=_date(trend.at, likely),
        latest=_date(trend.at, _days_to(down, trend.per_day_high)),
    )


def _no_date(trend: Slide, limit: Limit, limit_value: float, why: NoDate) -> Meeting:
    return Meeting(limit=limit, limit_value=limit_value, points=trend.count, no_date=why)


def _days_to(down: float, per_day: float) -> float | None:
    if down >= 0:
        return 0.0
    return down / per_day if per_day < 0 else None


def _date(at: datetime, days: float | None) -> datetime | None:
    return None if days is None or days > FARTHEST_DAYS else at + timedelta(days=days)


def _square_spread(x: Sequence[float]) -> float:
    centre = fmean(x)
    return sum((v - centre) ** 2 for v in x)
