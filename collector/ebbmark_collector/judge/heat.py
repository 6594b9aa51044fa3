"""From where on a drive is hot, and whether it runs hotter than it did, written to or at rest."""

from collections.abc import Sequence
from datetime import datetime
from statistics import median

from ebbmark_collector.judge.history import ProbePoint, SubjectHistory
from ebbmark_collector.judge.series import soak_series, spot_series
from ebbmark_collector.roles import DriveRole

HOT_C = 70.0  # [degrees Celsius] where makers' throttling commonly begins; common practice, no source
ROSE_C = 6.0  # [K] hotter than at first
IDLE_ROSE_C = 4.0  # [K] warmer at rest than at first, where little heat is made
IDLE_READS = 7  # [1] a week of reads


def hot_from_c(role: DriveRole | None) -> float:
    """Give from where on a drive counts as hot: what its role allows, or where throttling begins [°C]."""
    return role.role.hot_c if role is not None and role.role.hot_c is not None else HOT_C


def runs_hotter(history: SubjectHistory, now: datetime) -> bool:
    """Tell whether a drive grows hotter than at first while it is written, or lies warmer at rest.

    Args:
        history: What is known of it.
        now: The instant it is judged at.
    """
    rise = rise_c(soak_series(history), spot_series(history, now))
    return rise >= ROSE_C or idle_rise_c(history, now) >= IDLE_ROSE_C


def rise_c(soaks: Sequence[ProbePoint], spots: Sequence[ProbePoint]) -> float:
    """Give how much hotter the newest soak (else spots) ran than the first ones [K]; 0 where not told."""
    for series, few in ((soaks, 1), (spots, 7)):
        temps = [p.temperature_hottest_c for p in series if p.temperature_hottest_c is not None]
        if len(temps) >= 2 * few:
            return median(temps[-few:]) - median(temps[:few])
    return 0.0


def idle_rise_c(history: SubjectHistory, now: datetime) -> float:
    """Give how much warmer it is at rest than in its first weeks [K]; 0 where not told.

    A drive that throttles grows no hotter, it grows slower: what its cooling lost is seen at rest.
    """
    read = [h.temperature_c for h in history.health if h.temperature_c is not None and h.at <= now]
    if len(read) < 4 * IDLE_READS:
        return 0.0
    return median(read[-IDLE_READS:]) - median(read[: 2 * IDLE_READS])
