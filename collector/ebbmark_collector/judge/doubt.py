"""Whether a drive's newest soaks, beneath its rate, say more than what its soaks have always differed by."""

from datetime import datetime
from itertools import takewhile
from math import log, sqrt
from statistics import fmean, median

from ebbmark_collector.judge.course import SOAK_SCATTER
from ebbmark_collector.judge.history import SubjectHistory
from ebbmark_collector.judge.robust import mad_sigma
from ebbmark_collector.judge.series import soak_series, spot_series
from ebbmark_collector.judge.standing import shown_beneath, spot_scatter

MOST_LOW = 2  # [1] soaks in a row that may be chance: whoever tests a drive three times believes the third
SURE_SIGMAS = 3.0  # [1] beneath it: a level drive gets there by chance once in many years


def scatter_explains(history: SubjectHistory, rate_bytes_per_s: float, now: datetime) -> bool:
    """Tell whether the newest soaks lie beneath the rate by no more than the drive's own scatter.

    A drive with little to spare comes beneath its rate now and then without any change. Two soaks in a row
    leave less of a fall to chance, the mean of n scattering 1/sqrt(n) as widely as one, and three leave none.
    What is usual scatters likewise by the number of soaks that tell it.

    Args:
        history: What is known of it.
        rate_bytes_per_s: What its role writes [bytes/s].
        now: The instant it is judged at.

    Returns:
        False as well where its newest soak carries the rate, where those before do not or are too few, and
        where its spots since lie beneath the rate too.
    """
    soaks = [p for p in soak_series(history) if p.at <= now]
    floors = [p.floor_bytes_per_s or 0.0 for p in soaks]
    low = list(takewhile(lambda floor: floor < rate_bytes_per_s, reversed(floors)))
    before = floors[: len(floors) - len(low)]
    if not all(floors) or not 1 <= len(low) <= MOST_LOW or not before:
        return False  # one that stood still is no scatter
    spots = spot_series(history, now)
    since = [(p.at, p.floor_bytes_per_s or 0.0) for p in spots if p.at > soaks[-1].at]
    if median(before) < rate_bytes_per_s or shown_beneath(since, rate_bytes_per_s, alone_from=None):
        return False
    usual = [log(floor) for floor in before]
    sigma = max(SOAK_SCATTER * spot_scatter(spots), mad_sigma(usual))
    sunk = median(usual) - fmean([log(floor) for floor in low])
    return sunk < SURE_SIGMAS * sigma * sqrt(1 / len(low) + 1 / len(before))
