"""Why a drive is slow: possible causes ranked, each with the facts behind it and one next step.

Rules.

1. A cause needs a fact that moved with the rate; a fact that was always there weighs little.
2. Interface CRC errors and a link below its best are the cable's, the reader's or the port's, never the
   drive's.
3. Failing media outweighs what is merely uncomfortable: a hot drive that loses sectors is failing.
4. Where nothing speaks, the answer is unknown, and the next step is what would tell.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from itertools import pairwise
from math import exp

from ebbmark_agent.evidence.standing import Standing as Word

from ebbmark_collector.judge.filling import FULL, slowed_as_it_filled
from ebbmark_collector.judge.findings import Cause, CauseKind, Outlook, Standing
from ebbmark_collector.judge.heat import IDLE_ROSE_C, ROSE_C, hot_from_c, idle_rise_c, rise_c
from ebbmark_collector.judge.history import ProbePoint, SubjectHistory
from ebbmark_collector.judge.series import soak_series, spot_series
from ebbmark_collector.roles import DriveRole

SLOW_START_S = 1.0  # [s] a probe that waited longer for its own data says something of the machine
CLOSE_TO_LINK = 0.97  # [1] of the better link's ceiling
NEAR_C = 5.0  # [K] below the hot limit: nearer to throttling than this counts as warm
MID_LIFE_PERCENT = 60  # [%] from which wear is thought of at all
LATE_LIFE_PERCENT = 75  # [%] the last quarter of it
WORN_PERCENT = 80  # [%] of the rated endurance from which wear may slow a drive
WEAR_TAKES = 0.1  # [1] of ln(rate) for each percent of endurance, at most; common practice, no source
NO_CACHE_TIMES = 1.15  # [1] times what a soak carries: spots faster than that saw a cache
RECENT = timedelta(days=35)
SANK = 0.10  # [1] of the rate of short probes
SHRUNK = 0.75  # [1] of its first cliff


@dataclass(frozen=True, kw_only=True)
class _Case:
    """What the single causes look at, gathered once."""

    history: SubjectHistory
    role: DriveRole | None
    standing: Standing
    outlook: Outlook
    soaks: tuple[ProbePoint, ...]
    spots: tuple[ProbePoint, ...]
    now: datetime

    @cached_property
    def recent(self) -> tuple[ProbePoint, ...]:
        probes = [p for p in self.history.probes if self.now - RECENT <= p.at <= self.now and p.counts]
        return tuple(probes)

    def grew(self, name: str) -> bool:
        return any(counter == name for counter, _ in self.outlook.wear.growth_per_week)


def causes(
    history: SubjectHistory, role: DriveRole | None, standing: Standing, outlook: Outlook, now: datetime
) -> tuple[Cause, ...]:
    """Rank what may make this drive slow, the likeliest first; never empty.

    Args:
        history: What is known of it.
        role: The role in force.
        standing: Its standing now.
        outlook: Its outlook, with wear and changes.
        now: The instant it is judged at.
    """
    case = _Case(
        history=history,
        role=role,
        standing=standing,
        outlook=outlook,
        soaks=soak_series(history),
        spots=spot_series(history, now),
        now=now,
    )
    found = [cause for look in _LOOKS if (cause := look(case)) is not None]
    if not found:
        found = [_unknown()]
    return tuple(sorted(found, key=lambda c: (-c.weight, c.kind)))


def _failing_media(case: _Case) -> Cause | None:
    facts, weight = [], 0.0
    last = case.history.last_health
    names = {
        "media_errors": "media errors",
        "uncorrectable_errors": "uncorrectable errors",
        "pending_sectors": "pending sectors",
        "reallocated_sectors": "reallocated sectors",
    }
    for name, words in names.items():
        count = getattr(last, name) if last else None
        grown = growth_over(case.history, name, case.now, RECENT)
        if count and grown:
            facts.append(f"{count} {words}, {grown} of them new within five weeks.")
            weight += 3.0 if name == "reallocated_sectors" else 5.0
        elif count and name != "reallocated_sectors":
            facts.append(f"{count} {words}.")
            weight += 1.5
    if any(p.read_back_ok is False or p.fault_sentence for p in case.history.faulty if p.at <= case.now):
        facts.append("A probe met a refused write or read back something else than it wrote.")
        weight += 6.0
    if case.outlook.stall_growth is not None and case.outlook.stall_growth >= 2:
        facts.append(f"Its stops grew to {case.outlook.stall_growth:.1f} times what they were.")
        weight += 2.0
    elif case.outlook.spread_growth is not None and case.outlook.spread_growth >= 2:
        facts.append(f"Its rate scatters {case.outlook.spread_growth:.1f} times as much as it did.")
        weight += 1.0
    if _spots_sank(case) and not _wear_explains_spots(case):
        facts.append(
            "Its short probes sank too, which neither fullness nor wear nor a missing trim explains."
        )
        weight += 1.5
    step = "Copy off what is on it, take it out of service and have it replaced."
    return _cause(CauseKind.FAILING_MEDIA, weight, facts, step)


def _spots_sank(case: _Case) -> bool:
    fell, slope = case.outlook.spot_step, case.outlook.spot_slide
    return (fell is not None and fell.fall >= SANK) or (slope is not None and slope.falling)


def _wear_explains_spots(case: _Case) -> bool:
    """Tell whether short probes see what lies past the cache, on a drive far enough into its endurance.

    Wear slows what lies past the cache and not the cache. A drive that has none to speak of shows the same
    rate to both kinds of probe.
    """
    wear, trend = case.outlook.wear, case.outlook.spot_slide
    soak = case.soaks[-1].floor_bytes_per_s if case.soaks else None
    if wear.used_percent is None or wear.used_percent < LATE_LIFE_PERCENT or trend is None or not soak:
        return False
    # A medium that fails loses its rate in weeks in which hardly any wear is added.
    too_fast = -trend.per_day > WEAR_TAKES * (wear.percent_per_day or 0.0)
    return not too_fast and exp(trend.level) <= NO_CACHE_TIMES * soak


def _spots_cool(case: _Case, limit_c: float) -> bool:
    temps = [p.temperature_hottest_c for p in case.spots[-7:] if p.temperature_hottest_c is not None]
    return bool(temps) and max(temps) < limit_c - NEAR_C


def _too_hot(case: _Case) -> Cause | None:
    facts, weight = [], 0.0
    hottest = max(
        (p.temperature_hottest_c for p in case.recent if p.temperature_hottest_c is not None), default=None
    )
    limit = hot_from_c(case.role)
    rise = rise_c(case.soaks, case.spots)
    if hottest is not None and hottest >= limit:
        facts.append(f"It reached {hottest:.0f} °C while it was probed.")
        # What was always so weighs little.
        weight += 2.0 if rise >= ROSE_C else 0.8
    for name, words in (
        ("warning_temperature_minutes", "minutes above its warning temperature"),
        ("critical_temperature_minutes", "minutes above its critical temperature"),
        ("thermal_transitions", "thermal throttlings"),
    ):
        grown = growth_over(case.history, name, case.now, RECENT)
        if grown:
            facts.append(f"{grown} {words} within five weeks.")
            weight += 1.5
    # A drive far from where throttling begins may be warmer than it was and no slower for it.
    near = weight > 0 or (hottest is not None and hottest >= limit - NEAR_C)
    if near and rise >= ROSE_C:
        facts.append(f"Its soaks run {rise:.0f} degrees hotter than its first ones.")
        weight += 2.0
    idle = idle_rise_c(case.history, case.now)
    if near and idle >= IDLE_ROSE_C:
        facts.append(f"At rest it is {idle:.0f} degrees warmer than at first.")
        weight += 1.0
    if any(p.pattern == "thermal_sag" for p in case.recent):
        facts.append("Its rate sagged as it warmed.")
        weight += 2.0
    if facts and _spots_sank(case) and _spots_cool(case, limit):
        facts.append("But its short probes sank too, and those end before it is warm.")
        weight *= 0.3
    return _cause(
        CauseKind.TOO_HOT, weight, facts, "Give it air: clean the intake, move it from its neighbours."
    )


def _too_full(case: _Case) -> Cause | None:
    facts, weight = [], 0.0
    fill = case.history.facts.fill
    if fill is None:
        fill = next((p.fill_start for p in reversed(case.recent) if p.fill_start is not None), None)
    limit = case.role.role.fill_limit if case.role else FULL
    soaks = [p for p in case.history.soaks if p.at <= case.now and p.fill_start is not None]
    rise = (soaks[-1].fill_start or 0.0) - (soaks[0].fill_start or 0.0) if len(soaks) >= 2 else 0.0
    if fill is not None and fill >= min(limit, FULL):
        facts.append(f"{fill:.0%} of it is used.")
        weight += 2.0 + (1.0 if fill >= limit else 0.0)
        if rise >= 0.1:
            facts.append(f"At its first soak it was {soaks[0].fill_start:.0%}.")
            weight += 1.5
        if _cliff_share(case) < SHRUNK:
            facts.append(f"Its cache now ends at {_cliff_share(case):.0%} of where it did.")
            weight += 1.0
    end = slowed_as_it_filled(case.history, case.soaks)
    if end is not None:
        facts.append(f"Its last soak was slower than those before it and filled it further, to {end:.0%}.")
        weight += 1.0 if _spots_sank(case) else 2.0  # short probes find room at any fill
    return _cause(CauseKind.TOO_FULL, weight, facts, "Free space on it, then have it soaked again.")


def _cliff_share(case: _Case) -> float:
    cliffs = [p.cliff_at_bytes for p in case.history.soaks if p.cliff_at_bytes and p.at <= case.now]
    return cliffs[-1] / cliffs[0] if len(cliffs) >= 2 else 1.0


def _link_below_best(case: _Case) -> Cause | None:
    path = case.history.facts.path
    if path is None or path.link_now_bytes_per_s is None or path.link_best_bytes_per_s is None:
        return None
    if path.link_now_bytes_per_s >= CLOSE_TO_LINK * path.link_best_bytes_per_s:
        return None
    facts = [f"The link runs at {path.link_now or 'less'}; {path.link_best or 'more'} is possible."]
    weight = 5.0
    limited = any(p.path_limited for p in case.history.probes if case.now - RECENT <= p.at <= case.now)
    if limited:
        facts.append("Its probes are as fast as that link and no faster.")
        weight += 2.0
    return _cause(
        CauseKind.LINK_BELOW_BEST,
        weight,
        facts,
        "Put it on its best port with a cable made for it; look again.",
    )


def _cable_or_reader(case: _Case) -> Cause | None:
    grown = growth_over(case.history, "interface_crc_errors", case.now, RECENT)
    if grown < 3:
        return None
    facts = [
        f"{grown} interface CRC errors within five weeks: transfers repeated on the way, not on the medium."
    ]
    return _cause(
        CauseKind.CABLE_OR_READER,
        4.0 + min(3.0, grown / 20),
        facts,
        "Change the cable or the reader, then probe.",
    )


def _worn(case: _Case) -> Cause | None:
    facts, weight = [], 0.0
    wear = case.outlook.wear
    if wear.used_percent is not None and wear.used_percent >= WORN_PERCENT:
        facts.append(f"{wear.used_percent} % of its rated endurance is used.")
        weight += 2.5 + (1.0 if wear.used_percent >= 95 else 0.0)
    elif wear.used_percent is not None and wear.used_percent >= MID_LIFE_PERCENT:
        facts.append(f"{wear.used_percent} % of its rated endurance is used.")
        weight += 1.2
    elif wear.rated_share is not None and wear.rated_share >= WORN_PERCENT / 100:
        facts.append(f"{wear.rated_share:.0%} of the bytes it is rated for have been written.")
        weight += 2.0
    spare, threshold = wear.spare_percent, wear.spare_threshold_percent
    if spare is not None and threshold is not None and spare < threshold:
        facts.append(f"Spare is down to {spare} %, its threshold is {threshold} %.")
        weight += 2.0
    return _cause(CauseKind.WORN, weight, facts, "Plan its replacement; keep it to a role with a lower rate.")


def _not_trimmed(case: _Case) -> Cause | None:
    facts, weight = [], 0.0
    if case.history.facts.rotational:
        return None
    if case.history.facts.trim is False:
        facts.append("It is not told of freed blocks (no trim on this path).")
        weight += 2.5
    if any(p.space_returned is False for p in case.recent):
        facts.append("Space freed after a probe did not come back.")
        weight += 1.0
    if weight and _cliff_share(case) < SHRUNK:
        facts.append(f"Its cache now ends at {_cliff_share(case):.0%} of where it did, at a like fill.")
        weight += 1.5
    return _cause(
        CauseKind.NOT_TRIMMED,
        weight,
        facts,
        "Have the file system trim it, or erase it in the recorder; then soak.",
    )


def _cache_smaller_than_take(case: _Case) -> Cause | None:
    soak = case.soaks[-1] if case.soaks else None
    if soak is None or soak.cliff_at_bytes is None or case.standing.word is not Word.UNFIT:
        return None
    rate = case.standing.rate_bytes_per_s or 0.0
    first = case.soaks[0]
    slow_past_cache = (soak.cliff_floor_bytes_per_s or soak.floor_bytes_per_s or 0.0) < rate
    always = (first.floor_bytes_per_s or 0.0) < rate
    if not slow_past_cache or not always:
        return None
    after = (soak.floor_bytes_per_s or 0.0) / 1e6
    facts = [
        f"It writes fast for {soak.cliff_at_bytes / 1e9:.0f} GB and then at {after:.0f} MB/s.",
        "It has done so since its first soak.",
    ]
    return _cause(
        CauseKind.CACHE_SMALLER_THAN_TAKE,
        4.5,
        facts,
        "Use it for shorter takes or a lower rate; it was built so.",
    )


def _background_load(case: _Case) -> Cause | None:
    waited = [p for p in case.recent if p.waited_for_data_s >= SLOW_START_S]
    if len(waited) * 2 < max(1, len(case.recent)):
        return None
    facts = [f"In {len(waited)} of {len(case.recent)} probes the machine itself was late with the data."]
    return _cause(CauseKind.BACKGROUND_LOAD, 2.0, facts, "See what else runs on that machine at probe hours.")


def _cause(kind: CauseKind, weight: float, facts: Sequence[str], next_step: str) -> Cause | None:
    return Cause(kind=kind, weight=weight, facts=tuple(facts), next_step=next_step) if facts else None


def _unknown() -> Cause:
    return Cause(
        kind=CauseKind.UNKNOWN,
        weight=0.0,
        facts=("Nothing else that is known moved with the rate.",),
        next_step="Soak it in another machine on another cable: that tells the drive from its surroundings.",
    )


def growth_over(history: SubjectHistory, name: str, now: datetime, span: timedelta) -> int:
    """Give how much a life-long counter grew within a span before `now` [1]; 0 where it is not told."""
    last = history.last_health
    if last is not None and last.at <= now and not getattr(last, name):
        return 0  # what counts nothing now has not grown
    start = now - span
    recent: list[int] = []
    for h in reversed(history.health):
        if h.at > now:
            continue
        value = getattr(h, name)
        if value is not None:
            recent.append(value)
        if h.at <= start and recent:
            break
    recent.reverse()
    return sum(max(0, b - a) for a, b in pairwise(recent))


_LOOKS: tuple[Callable[[_Case], Cause | None], ...] = (
    _failing_media,
    _too_hot,
    _too_full,
    _link_below_best,
    _cable_or_reader,
    _worn,
    _not_trimmed,
    _cache_smaller_than_take,
    _background_load,
)
