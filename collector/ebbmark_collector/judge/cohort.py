"""A drive beside its siblings of the same model and firmware.

Rules.

1. Slow means: it takes at least twice as long as the median of its siblings (Hao et al., FAST 2016, who call
   a drive slow at twice its peers' median latency). Time and rate are each other's inverse, so the ratio is
   theirs.
2. Fewer than three siblings are no cohort.
3. A drive without a soak borrows its siblings' median cliff and floor: as a warning, never as a pass.
"""

from datetime import datetime
from statistics import median

from ebbmark_collector.judge.findings import Cohort, Likeness
from ebbmark_collector.judge.history import SubjectHistory
from ebbmark_collector.judge.series import soak_series, spot_series

SLOW_RATIO = 2.0  # [1] Hao et al., FAST 2016
LEAST_SIBLINGS = 3  # [1]
RECENT_SPOTS = 5  # [1] one odd probe must not make a drive slow


def compare(history: SubjectHistory, now: datetime) -> Cohort:
    """Compare a drive's recent spots, else its latest soak, with its siblings'."""
    siblings = history.siblings
    if siblings is None:
        return Cohort(likeness=Likeness.TOO_FEW)
    soaks = soak_series(history)
    borrow = not soaks
    spots = [p.floor_bytes_per_s for p in spot_series(history, now)[-RECENT_SPOTS:] if p.floor_bytes_per_s]
    if spots and len(siblings.spot_floors_bytes_per_s) >= LEAST_SIBLINGS:
        own, others = median(spots), siblings.spot_floors_bytes_per_s
    elif soaks and soaks[-1].floor_bytes_per_s and len(siblings.soak_floors_bytes_per_s) >= LEAST_SIBLINGS:
        own, others = soaks[-1].floor_bytes_per_s, siblings.soak_floors_bytes_per_s
    else:
        own, others = None, ()
    ratio = median(others) / own if own else None
    floors = siblings.soak_floors_bytes_per_s if borrow else ()
    cliffs = siblings.cliff_at_bytes if borrow else ()
    return Cohort(
        likeness=_likeness(ratio),
        siblings=max(len(siblings.spot_floors_bytes_per_s), len(siblings.soak_floors_bytes_per_s)),
        ratio=ratio,
        borrowed_floor_bytes_per_s=median(floors) if floors else None,
        borrowed_cliff_bytes=int(median(cliffs)) if cliffs else None,
    )


def _likeness(ratio: float | None) -> Likeness:
    if ratio is None:
        return Likeness.TOO_FEW
    return Likeness.SLOW if ratio >= SLOW_RATIO else Likeness.LIKE
