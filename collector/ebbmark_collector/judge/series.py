"""Like with like: which of a subject's probes may stand in one series, and how a dense series is gathered.

Rules.

1. One series holds one kind, path and layout, at a fill and a rest like those of its newest probe; where
   there are rested probes, of the newest rested one.
2. Probes that gave way or failed never enter. One that the link limited does, as the lower bound it is: the
   drive was no slower than that, so a fall from it is at least as deep as it looks and none is made up. To
   leave them out and keep what lies between would keep the slow nights only.
3. Daily spots resemble their neighbours (heat, fill and load drift over days), which makes a trend test too
   sure. They are gathered by the week first (`upper_quartile`); what resemblance is left widens the test.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import log
from statistics import median

from ebbmark_collector.judge.history import SPOT_WINDOW_DAYS, ProbePoint, SubjectHistory

LIKE_FILL = (
    0.25  # [1] fills this close count as like; a cache that grows with free space moves less than that
)
RESTED_S = 3600.0  # [s] after an idle hour a drive counts as rested: its cache is tidied, common practice
GATHER_DAYS = 7.0  # [days] a week takes in every weekday's habit once
SECONDS_A_DAY = 86_400.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Dot:
    """A point of a series: days before `now` are negative, the figure is a natural logarithm."""

    day: float
    ln: float


def like(points: Sequence[ProbePoint], newest: ProbePoint) -> tuple[ProbePoint, ...]:
    """Give those of `points` that may be compared with `newest`, oldest first."""
    kind, path, layout = newest.kind, newest.path_key, newest.layout
    fill, rest_s = newest.fill_start, newest.rest_before_s
    alike = [p for p in points if p.kind is kind and p.path_key == path and p.layout is layout]
    if fill is not None:
        alike = [p for p in alike if p.fill_start is None or abs(p.fill_start - fill) <= LIKE_FILL]
    if rest_s is not None:
        was_rested = rest_s >= RESTED_S
        alike = [p for p in alike if p.rest_before_s is None or (p.rest_before_s >= RESTED_S) is was_rested]
    return tuple(alike)


def soak_series(history: SubjectHistory) -> tuple[ProbePoint, ...]:
    """Give the soaks on the path in use that are like its newest."""
    found = history.series.get(("soak", None))
    if found is None:
        path = history.path_key
        on_path = [p for p in history.soaks if p.path_key == path]
        found = like(on_path, _reference(on_path)) if on_path else ()
        history.series["soak", None] = found
    return found


def spot_series(history: SubjectHistory, now: datetime) -> tuple[ProbePoint, ...]:
    """Give the spots on the path in use within the window that are like their newest."""
    found = history.series.get(("spot", now))
    if found is None:
        start, path = now - timedelta(days=SPOT_WINDOW_DAYS), history.path_key
        on_path = [p for p in history.spots if p.path_key == path and start <= p.at <= now]
        found = like(on_path, _reference(on_path)) if on_path else ()
        history.series["spot", now] = found
    return found


def rested(point: ProbePoint) -> bool:
    """Tell whether a probe began rested, as far as is known."""
    return point.rest_before_s is None or point.rest_before_s >= RESTED_S


def _reference(points: Sequence[ProbePoint]) -> ProbePoint:
    return next((p for p in reversed(points) if rested(p)), points[-1])


def floor_dots(points: Sequence[ProbePoint], now: datetime) -> tuple[Dot, ...]:
    """Give ln(floor) over days; a floor of zero has no logarithm and is left out (it is unfit anyway)."""
    return tuple(
        Dot(day=days_between(now, p.at), ln=log(p.floor_bytes_per_s))
        for p in points
        if p.floor_bytes_per_s is not None and p.floor_bytes_per_s > 0
    )


def lasting_dots(points: Sequence[ProbePoint], now: datetime) -> tuple[Dot, ...]:
    """Give ln(lasting rate) over days; where a probe has none, ln(floor)."""
    return tuple(
        Dot(day=days_between(now, p.at), ln=log(rate))
        for p in points
        if (rate := p.lasting_bytes_per_s or p.floor_bytes_per_s)
    )


def gathered(dots: Sequence[Dot], *, days: float = GATHER_DAYS) -> tuple[Dot, ...]:
    """Give the upper quartiles over spans of `days`, counted back from the newest dot.

    Empty spans stay empty, and so do those with less than half of what a span usually holds: a span with one
    dot where others have six is a single reading.
    """
    if not dots:
        return ()
    newest = dots[-1].day
    spans: dict[int, list[Dot]] = {}
    for dot in dots:
        spans.setdefault(int((newest - dot.day) // days), []).append(dot)
    usual = median([len(group) for group in spans.values()])
    return tuple(
        Dot(day=median([d.day for d in group]), ln=upper_quartile([d.ln for d in group]))
        for _, group in sorted(spans.items(), reverse=True)
        if 2 * len(group) >= usual
    )


def upper_quartile(values: Sequence[float]) -> float:
    """Give the value that a quarter of them, rounded down, lie above.

    What meets a probe by chance only ever slows it, so the level of a few readings is told by their better
    ones: three slow nights in a week move the median and not this.
    """
    return sorted(values)[-1 - len(values) // 4]


def days_between(start: datetime, end: datetime) -> float:
    """Give end less start [days]."""
    return (end - start).total_seconds() / SECONDS_A_DAY
