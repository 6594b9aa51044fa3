"""Has a series changed since qualification: its baseline, a step down, growth of scatter and of stalls."""

from collections.abc import Sequence
from math import exp, log
from statistics import median

from ebbmark_collector.judge.control import Side, cusum, ewma, ewma_limit
from ebbmark_collector.judge.findings import Baseline, Step
from ebbmark_collector.judge.history import QUALIFYING_SPOTS, ProbePoint
from ebbmark_collector.judge.robust import mad_sigma

LEAST_SIGMA = 0.02  # [1] of ln(floor): a probe of a few seconds repeats no better, common practice, no source
LEAST_BASELINE = 3  # [1] probes; a median of fewer is only a reading
SLACK_SIGMAS = 0.5  # [1] k: tuned to a shift of one sigma, NIST e-Handbook 6.3.2.3
LIMIT_SIGMAS = (
    8.0  # [1] h: daily probes need more than the handbook's 4 or 5, or a quiet drive signals each year
)
LEAST_FALL = 0.10  # [1] a smaller step than this is nobody's trouble
GROWTH_WEIGHT = 0.3  # [1] of the newest probe in the average, NIST e-Handbook 6.3.2.4
RESPONSE = 3.0  # [sigmas] one wild probe may add this much and no more


def baseline(points: Sequence[ProbePoint], *, first: int = QUALIFYING_SPOTS) -> Baseline | None:
    """Give median and scatter of the first probes of a series, or None with fewer than three.

    Args:
        points: Like probes since qualification, oldest first.
        first: How many of them make the baseline, at most [1]; never more than half of a short series.
    """
    known = [p for p in points if p.floor_bytes_per_s]
    taken = known[: max(LEAST_BASELINE, min(first, len(known) // 2))]
    if len(taken) < LEAST_BASELINE:
        return None
    floors = [p.floor_bytes_per_s for p in taken if p.floor_bytes_per_s]
    return Baseline(
        median_bytes_per_s=median(floors),
        sigma=max(LEAST_SIGMA, mad_sigma([log(f) for f in floors])),
        count=len(floors),
        since=taken[0].at,
        until=taken[-1].at,
    )


def step(points: Sequence[ProbePoint], base: Baseline) -> Step | None:
    """Find a lasting step down: the lower CUSUM of ln(floor), still standing in the newest probes.

    A single wild probe is held to three sigmas, so it cannot signal alone; a step that has healed is none.
    """
    later = [p for p in points if p.at > base.until and p.floor_bytes_per_s]
    if len(later) < 2:
        return None
    target = log(base.median_bytes_per_s)
    scores = [max(-RESPONSE, (log(p.floor_bytes_per_s or 1.0) - target) / base.sigma) for p in later]
    found = cusum(scores, target=0.0, slack=SLACK_SIGMAS, limit=LIMIT_SIGMAS, side=Side.LOWER)
    if found.signal is None or found.began is None or found.sums[-1] <= LIMIT_SIGMAS:
        return None
    # Counted from the last time the sum was at rest: an earlier step that healed is another one.
    began = max((i + 1 for i, s in enumerate(found.sums) if s == 0), default=0)
    signal = next(i for i in range(began, len(later)) if found.sums[i] > LIMIT_SIGMAS)
    since = later[began:]
    after = median([p.floor_bytes_per_s or 0.0 for p in since])
    fall = 1 - after / base.median_bytes_per_s
    if fall < LEAST_FALL:
        return None
    return Step(
        since=since[0].at,
        signalled_at=later[signal].at,
        before_bytes_per_s=base.median_bytes_per_s,
        after_bytes_per_s=after,
        fall=fall,
        probes_since=len(since),
    )


def growth(figures: Sequence[float], *, first: int = QUALIFYING_SPOTS) -> float | None:
    """Give how many times the first figures' median the average of the newest is, where that is no chance.

    Args:
        figures: Spreads or stalls of like probes, oldest first, zero or more.
        first: How many make the comparison [1].

    Returns:
        The ratio, above 1 [1]; None where there is no significant growth or too little to tell.
    """
    shown = [log(f) for f in figures if f > 0]
    head = shown[: max(LEAST_BASELINE, min(first, len(shown) // 2))]
    tail = shown[len(head) :]
    if len(head) < LEAST_BASELINE or len(tail) < 2:
        return None
    centre = median(head)
    sigma = max(0.1, mad_sigma(head))
    now = ewma(tail, start=centre, weight=GROWTH_WEIGHT)[-1] - centre
    return exp(now) if now > ewma_limit(sigma=sigma, weight=GROWTH_WEIGHT) else None
