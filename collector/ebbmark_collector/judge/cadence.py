"""How soon a drive is soaked again: as its role orders, or sooner where its evidence gives a reason.

Rules.

1. Never later than its role orders, never sooner than `LEAST_DAYS` after its last soak. A drive that has no
   soak yet, or whose last one lies beneath its rate already, has no reason to hurry, unless that one may be
   chance, went on past what a take fills, or dipped while hot and the drive runs hotter than it did: then one
   more tells.
2. Where its soaks fall, the steepest of their falls leaves it some days to its rate; it is soaked when a part
   of them has gone. That needs no test of significance: a fall by chance costs one soak and dates nothing,
   and with room to spare it changes nothing.
3. Where spots sank since the last soak, or the drive is not told of freed blocks any more, that soak does not
   tell what the drive does now.
4. Late in its rated endurance flash may slow within weeks, and no spot shows it: spots go into the cache.
   Nor do spots show heat, which they end too soon to make: a recorder's drive whose soak ran hot, and hotter
   than its first ones, is soaked again before it throttles in a take.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import log

from ebbmark_collector.judge.course import only_heated_as_told
from ebbmark_collector.judge.doubt import scatter_explains
from ebbmark_collector.judge.filling import past_a_take
from ebbmark_collector.judge.findings import Outlook
from ebbmark_collector.judge.heat import hot_from_c, runs_hotter
from ebbmark_collector.judge.history import ProbePoint, SubjectHistory
from ebbmark_collector.judge.series import days_between, soak_series
from ebbmark_collector.judge.untrimmed import next_soak_days
from ebbmark_collector.roles import DriveRole

LEAST_DAYS = 7.0  # [days] a sooner soak would find the weather of the last
SHARE = 0.4  # [1] of the days that a fall leaves
COMPARED = 3  # [1] soaks before the last that its fall is read from
LATE_PERCENT = 70.0  # [%] of the rated endurance
LATE_DAYS = 15.0  # [days]
AGAIN_DAYS = 14.0  # [days]
_OVERFILLED = "Its last soak filled it further than a take does; one begun with more room tells more."
_HOTTER = "It dips only while hot so far, and runs hotter than it did."
_MAY_BE_CHANCE = "Its last soak lies beneath its rate by no more than its soaks differ; one more tells."


@dataclass(frozen=True, kw_only=True, slots=True)
class SoakSooner:
    """A soak sooner than the role orders: how long after the last one [days], and why."""

    every_days: float
    why: str


def soak_sooner(
    history: SubjectHistory,
    role: DriveRole | None,
    outlook: Outlook,
    now: datetime,
    *,
    untrimmed_since: datetime | None = None,
) -> SoakSooner | None:
    """Say whether a drive is to be soaked sooner than its role orders; None where it is not.

    Args:
        history: What is known of it.
        role: The role in force.
        outlook: Where its course leads.
        now: The instant it is judged at.
        untrimmed_since: Since when it is not told of freed blocks, while that alert is up.
    """
    usual = role.role.cadence.soak_every_days if role is not None else None
    soaks = [p for p in soak_series(history) if p.at <= now and p.floor_bytes_per_s]
    if role is None or usual is None or role.demand is None or not soaks:
        return None
    floor, rate = soaks[-1].floor_bytes_per_s or 0.0, role.demand.rate_bytes_per_s
    if floor <= rate:
        more = _one_more(history, role, soaks, now)
        return more if more is not None and more.every_days < usual else None
    found: list[tuple[float, str]] = []
    left_days = _fall_leaves(soaks[-1 - COMPARED :], rate)
    if left_days is not None:
        found.append(
            (SHARE * left_days, f"Its soaks fall; so steeply they meet its rate in {left_days:.0f} days.")
        )
    if outlook.floor_now_bytes_per_s is not None and outlook.floor_now_bytes_per_s < floor:
        found.append((LEAST_DAYS, "Its spots sank since its last soak."))
    untrimmed = next_soak_days(history, untrimmed_since, now) if untrimmed_since is not None else None
    if untrimmed is not None:
        found.append((untrimmed, "It is not told of freed blocks any more."))
    used = outlook.wear.used_percent
    if role.is_recorder and used is not None and used >= LATE_PERCENT:
        found.append((LATE_DAYS, f"{used} % of its rated endurance is used, and spots do not show wear."))
    if role.is_recorder and _was_hot(soaks[-1], role) and runs_hotter(history, now):
        found.append((AGAIN_DAYS, "Its soaks run hotter than they did, and spots end before it is warm."))
    days, why = min(found, default=(usual, ""))
    days = max(LEAST_DAYS, days)
    return SoakSooner(every_days=days, why=why) if days < usual else None


def _one_more(
    history: SubjectHistory, role: DriveRole, soaks: Sequence[ProbePoint], now: datetime
) -> SoakSooner | None:
    """Give the soak that tells whether one beneath the rate was chance, heat or a fill no take comes to."""
    assert role.demand is not None  # callers ask for a drive that must carry a rate
    if scatter_explains(history, role.demand.rate_bytes_per_s, now):
        return SoakSooner(every_days=LEAST_DAYS, why=_MAY_BE_CHANCE)
    if past_a_take(history, role, soaks, now) is not None:
        return SoakSooner(every_days=AGAIN_DAYS, why=_OVERFILLED)
    if only_heated_as_told(history, soaks[-1], role.demand, now) and runs_hotter(history, now):
        return SoakSooner(every_days=AGAIN_DAYS, why=_HOTTER)
    return None


def _was_hot(soak: ProbePoint, role: DriveRole) -> bool:
    return soak.temperature_hottest_c is not None and soak.temperature_hottest_c >= hot_from_c(role)


def _fall_leaves(soaks: Sequence[ProbePoint], rate_bytes_per_s: float) -> float | None:
    """Give the days that the steepest fall to the last soak leaves to the rate; None without a fall."""
    last, *before = reversed(soaks)
    floor = last.floor_bytes_per_s or 0.0
    falls = [
        log((p.floor_bytes_per_s or floor) / floor) / days
        for p in before
        if (days := days_between(p.at, last.at)) >= LEAST_DAYS / 2
    ]
    steepest = max(falls, default=0.0)
    return log(floor / rate_bytes_per_s) / steepest if steepest > 0 else None
