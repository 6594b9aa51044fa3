"""Where the present course leads: the outlook of one drive, and the fleet's replacement plan by month.

Rules.

1. The floor is followed in soaks, and in spots as a stand-in between them: a spot that lost a share of its
   rate since the last soak is taken to have lost it past the cache too (`floor_now`). It warns; it proves
   nothing.
2. Between soaks it is the lasting rate whose slope is read, at the height of the floor: a dip in the middle
   of a greedy soak comes and goes with the weather (a drive written at ten times its demand runs hot), and
   what it lasts at does not. The dip still counts against today's standing.
3. Of the two courses the one that meets the limit first is told, and which one it was stays visible.
4. A soak that was slow because it found the drive fuller tells of the fill; where the drive was as full in a
   project before, it is no course of the drive.
5. "No trend" is an answer, and so is "too few probes".
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import exp, hypot, log
from statistics import median

from ebbmark_agent.evidence.demand import Demand

from ebbmark_collector.judge.change import baseline, growth, step
from ebbmark_collector.judge.filling import fill_meeting, slowed_as_it_filled, was_as_full
from ebbmark_collector.judge.findings import Limit, Meeting, NoDate, Outlook, Slide
from ebbmark_collector.judge.heat import HOT_C
from ebbmark_collector.judge.history import ProbePoint, SubjectHistory
from ebbmark_collector.judge.series import (
    Dot,
    days_between,
    floor_dots,
    gathered,
    lasting_dots,
    soak_series,
    spot_series,
    upper_quartile,
)
from ebbmark_collector.judge.slide import LEAST_SHIFT, NOISE, course, meets, slide
from ebbmark_collector.judge.standing import spot_scatter
from ebbmark_collector.judge.wear import read_wear, spare_meeting, wear_meeting
from ebbmark_collector.roles import DriveRole

AROUND_SOAK = timedelta(days=10)  # spots this near a soak tell what the cache gave when it ran
RECENT_SPOTS = 5  # [1]
RECENT_SOAKS = 3  # [1]
SOAK_SCATTER = 1.3  # [1] times a spot's: between soaks lie weeks of weather
HEATED_SIGMAS = 2.0  # [1] of what soaks of this drive differ by
GREEDY_TIMES = 1.25  # [1] times the demand, so half as much again as a take at the usual headroom writes
SOAKS_SPAN_DAYS = 21.0  # [days] less is two soaks out of turn, and their scatter would make a steep course
LEAST_SPOTS = 10  # [1] that tell a scatter
LEAST_WEEKS = 3  # [1] that make a course of spots: two say that something fell, not how fast it goes on
SUNK_SIGMAS = 3.0  # [1] of a week: less is its own scatter
WEEK_WEATHER = 0.02  # [1] of ln(floor) from week to week
WEEK_SHARE = 0.6  # [1] of one spot's scatter that the upper quartile of five keeps, for a normal scatter
SPOT_NOISE = 0.03  # [1] of ln(a week's spot floors, gathered)


def outlook(history: SubjectHistory, role: DriveRole | None, now: datetime) -> Outlook:
    """Say what the present course of a subject leads to.

    Args:
        history: What is known of it.
        role: The role in force; without one, or without a demand, only wear and spare have an outlook.
        now: The instant it is judged at.
    """
    soaks = tuple(p for p in soak_series(history) if p.at <= now)
    spots = spot_series(history, now)
    spot_base = baseline(spots)
    # Soaks are few, so a drive's own scatter is learned from its spots.
    noise = max(NOISE, SOAK_SCATTER * spot_scatter(spots)) if len(spots) >= LEAST_SPOTS else NOISE
    demand = role.demand.demand_bytes_per_s if role is not None and role.demand is not None else None
    lasting = course(lasting_dots(soaks, now), now, noise=noise, least_days=SOAKS_SPAN_DAYS)
    soak_slide = lasting if soaks and only_heated(soaks[-1], demand) else _at_floor(lasting, soaks)
    if (
        soak_slide is not None
        and slowed_as_it_filled(history, soaks)
        and was_as_full(history, soaks[-1], now)
    ):
        soak_slide = replace(soak_slide, falling=False)
    weeks = gathered(floor_dots(spots, now))
    own = max(SPOT_NOISE, hypot(WEEK_WEATHER, WEEK_SHARE * spot_scatter(spots)))
    spot_slide = _sunk(
        course(weeks, now, noise=own, least=LEAST_WEEKS), weeks, max(LEAST_SHIFT, SUNK_SIGMAS * own)
    )
    floor_now = estimated_floor(soaks, spots)
    meetings = [
        wear_meeting(history.health, role.role.wear_limit_percent if role else 100.0, now),
        spare_meeting(history.health, now),
    ]
    if role is not None and role.demand is not None:
        limits = {
            Limit.FLOOR_MEETS_DEMAND: role.demand.demand_bytes_per_s,
            Limit.FLOOR_MEETS_RATE: role.demand.rate_bytes_per_s,
        }
        meetings.append(fill_meeting(history, role, now))
        meetings += [
            _first_meeting(limit, value, soak_slide, _carried_over(spot_slide, floor_now), floor_now)
            for limit, value in limits.items()
        ]
    return Outlook(
        at=now,
        meetings=tuple(meetings),
        soak_slide=soak_slide,
        spot_slide=spot_slide,
        spot_step=step(spots, spot_base) if spot_base else None,
        cliff_slide=slide(_cliff_dots(soaks, now), now, noise=SPOT_NOISE),
        spread_growth=growth([p.spread for p in spots if p.spread is not None]),
        stall_growth=growth([p.longest_stall_s for p in spots if p.longest_stall_s is not None]),
        floor_now_bytes_per_s=floor_now,
        wear=read_wear(history.facts, history.health, now),
    )


def estimated_floor(soaks: Sequence[ProbePoint], spots: Sequence[ProbePoint]) -> float | None:
    """Give the floor the last soak would show now, from how far the spots have fallen since [bytes/s].

    Never above what the last soak showed; None without a soak.
    """
    if not soaks or not soaks[-1].floor_bytes_per_s:
        return None
    soak = soaks[-1]
    shown: float = soak.floor_bytes_per_s or 0.0
    then = [p for p in spots if abs(p.at - soak.at) <= AROUND_SOAK]
    later = [p for p in spots if p.at > soak.at][-RECENT_SPOTS:]
    if len(then) < 3 or len(later) < 2:
        return shown
    ratio = exp(_centre(later) - _centre(then))
    # A fall that the spots' own scatter explains is none.
    noise = 3 * spot_scatter(spots) / len(later) ** 0.5
    return shown * ratio if ratio < exp(-max(0.05, noise)) else shown


def only_heated(soak: ProbePoint, demand_bytes_per_s: float | None, *, allowed: float = 1.0) -> bool:
    """Tell whether a soak's floor was a passing dip while hot from being written far above the demand.

    Such a dip is shown and counts against the standing; a take at the role's rate does not make that heat.

    Args:
        soak: The soak.
        demand_bytes_per_s: What its role asks [bytes/s].
        allowed: Share of each that a soak must show to be told so [1]; less than 1 where soaks differ so.
    """
    if demand_bytes_per_s is None:
        return False
    hot = soak.temperature_hottest_c is not None and soak.temperature_hottest_c >= HOT_C
    least = allowed * demand_bytes_per_s
    lasted = soak.lasting_bytes_per_s is not None and soak.lasting_bytes_per_s >= least
    greedy = soak.mean_bytes_per_s is not None and soak.mean_bytes_per_s >= GREEDY_TIMES * least
    return hot and lasted and greedy


def only_heated_as_told(history: SubjectHistory, soak: ProbePoint, demand: Demand, now: datetime) -> bool:
    """Tell the same as near as the drive's own scatter lets a soak tell; never of one beneath the rate."""
    differ = SOAK_SCATTER * spot_scatter(spot_series(history, now))
    allowed = max(demand.rate_bytes_per_s / demand.demand_bytes_per_s, exp(-HEATED_SIGMAS * differ))
    return only_heated(soak, demand.demand_bytes_per_s, allowed=allowed)


def _centre(points: Sequence[ProbePoint]) -> float:
    return upper_quartile([log(p.floor_bytes_per_s or 1.0) for p in points])


def _at_floor(lasting: Slide | None, soaks: Sequence[ProbePoint]) -> Slide | None:
    """Give the slope of the lasting rate at the height of the floor, which lies as far below as of late."""
    gaps = [
        log(p.floor_bytes_per_s / p.lasting_bytes_per_s)
        for p in soaks[-RECENT_SOAKS:]
        if p.floor_bytes_per_s and p.lasting_bytes_per_s
    ]
    if lasting is None or not gaps:
        return lasting
    return replace(lasting, level=lasting.level + median(gaps))


def _sunk(spot_slide: Slide | None, weeks: Sequence[Dot], least: float) -> Slide | None:
    """Let a slide of spots count as falling only once it has come down by more than weather does.

    Spots mostly see the cache. However sure their order is, a few percent there say nothing of what lies past
    it, and at a thin margin would be carried straight to the demand.
    """
    if spot_slide is None or not spot_slide.falling:
        return spot_slide
    sunk = median([d.ln for d in weeks]) - spot_slide.level
    return replace(spot_slide, falling=sunk >= least)


def _carried_over(spot_slide: Slide | None, floor_now: float | None) -> Slide | None:
    """Give the spots' slope at the height of the floor past the cache."""
    if spot_slide is None or not floor_now:
        return spot_slide
    return replace(spot_slide, level=log(floor_now))


def _first_meeting(
    limit: Limit, value: float, soak_slide: Slide | None, spot_slide: Slide | None, floor_now: float | None
) -> Meeting:
    found = [(meets(trend, limit, value), trend) for trend in (soak_slide, spot_slide)]
    dated = [(m.likely, m, trend.level) for m, trend in found if m.likely is not None and trend is not None]
    if dated:
        _, first, level = min(dated, key=lambda each: each[0])
        # Weeks after the last soak the course has gone on: date and figure must be of one day.
        return replace(first, value_now=min(exp(level), floor_now) if floor_now else exp(level))
    told = next((m for m, _ in found if m.no_date is not NoDate.TOO_FEW), found[0][0])
    return replace(told, value_now=floor_now)


def _cliff_dots(soaks: Sequence[ProbePoint], now: datetime) -> tuple[Dot, ...]:
    return tuple(
        Dot(day=days_between(now, p.at), ln=log(p.cliff_at_bytes)) for p in soaks if p.cliff_at_bytes
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Replacement:
    """What to have at hand by a month: subjects foreseen to leave their role in it, and for which limit."""

    month: str
    subject_ids: tuple[str, ...]
    limits: tuple[Limit, ...]


def plan(outlooks: Iterable[tuple[str, Outlook]]) -> tuple[Replacement, ...]:
    """Give the fleet's replacements by month, each subject under its first likely date.

    Args:
        outlooks: Subject id and outlook of each drive.
    """
    months: dict[str, list[tuple[str, Limit]]] = {}
    for subject_id, seen in outlooks:
        dated = [(m.likely, m.limit) for m in seen.meetings if m.likely is not None]
        if dated:
            likely, limit = min(dated)
            months.setdefault(f"{max(likely, seen.at):%Y-%m}", []).append((subject_id, limit))
    return tuple(
        Replacement(
            month=month,
            subject_ids=tuple(s for s, _ in sorted(entries)),
            limits=tuple(limit for _, limit in sorted(entries)),
        )
        for month, entries in sorted(months.items())
    )
