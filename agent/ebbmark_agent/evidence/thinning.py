"""Chooses which points of a long trace to keep so that every figure read from them stays the same.

1. The ends of the windows that set the floor for any buffer are kept, so the floor is exact.
2. Both ends of every stall are kept, so its length is exact.
3. No kept step lasts longer than half a second, or the trace's length over half the points, unless it was
   one block; so rounds and rates over time keep their grain.
4. Between those, points are kept where the line through the others would miss them by most.
"""

from collections.abc import Sequence
from itertools import pairwise

from ebbmark_agent.evidence.windows import envelope

DEFAULT_MAX_POINTS = 12_000  # [1] about 150 kB of JSON
FEWEST_POINTS = 200  # [1] below this a trace's shape is lost
GRAIN_S = 0.5  # [s] the longest step made by merging
STALL_S = 0.15  # [s] steps from this length on may be stalls and are kept as they are


def kept_points(times: Sequence[float], totals: Sequence[float], max_points: int) -> list[int] | None:
    """Choose the points to keep.

    Args:
        times: Completion times, rising [s].
        totals: Bytes written by then, never falling [bytes].
        max_points: The most steps to keep [1].

    Returns:
        Their indices, rising, the first and last among them; None where all may stay.

    Raises:
        ValueError: `max_points` is below 200.
    """
    if max_points < FEWEST_POINTS:
        raise ValueError(
            f"a trace thinned to {max_points} points loses its shape; ask for at least {FEWEST_POINTS}"
        )
    if len(times) - 1 <= max_points:
        return None
    protected = _protected(times, totals, max_points)
    grain_s = max(GRAIN_S, 2 * times[-1] / max_points)
    missed_bytes = totals[-1] / max_points / 64
    kept: list[int] | None = None
    while kept is None:
        # at the last any number is taken, so that it always ends
        most = max_points if missed_bytes <= totals[-1] else len(times)
        kept = _simplified(times, totals, protected, missed_bytes=missed_bytes, grain_s=grain_s, most=most)
        missed_bytes *= 1.5
    return kept


def _protected(times: Sequence[float], totals: Sequence[float], max_points: int) -> set[int]:
    ends = {at_s for window in envelope(times, totals) for at_s in (window.start_s, window.end_s)}
    protected = {index for index, at_s in enumerate(times) if at_s in ends}
    lengths = [after - before for before, after in pairwise(times)]
    usual_s = sorted(lengths)[len(lengths) // 2]
    stalls = [index for index, length_s in enumerate(lengths) if length_s >= max(STALL_S, 3 * usual_s)]
    longest_first = sorted(stalls, key=lambda index: -lengths[index])[: max_points // 8]
    for index in longest_first:
        protected |= {index, index + 1}
    return protected | {0, len(times) - 1}


def _simplified(
    times: Sequence[float],
    totals: Sequence[float],
    protected: set[int],
    *,
    missed_bytes: float,
    grain_s: float,
    most: int,
) -> list[int] | None:
    """Keep points so that the line through them misses no other by more than a tolerance.

    From the last kept point, the slopes that pass every later point within the tolerance narrow to
    nothing; the point before that is kept. Linear in the number of points. None where more steps than
    `most` would be needed.
    """
    kept = [0]
    anchor_s, anchor_byte = times[0], totals[0]
    lowest, highest = float("-inf"), float("inf")
    index = 1
    last = len(times) - 1
    while index <= last:
        span_s = times[index] - anchor_s
        slope = (totals[index] - anchor_byte) / span_s
        breaks = kept[-1] != index - 1 and (not lowest <= slope <= highest or span_s > grain_s)
        if breaks:
            keep = index - 1
        elif index in protected:
            keep = index
        else:
            lowest = max(lowest, slope - missed_bytes / span_s)
            highest = min(highest, slope + missed_bytes / span_s)
            index += 1
            continue
        kept.append(keep)
        if len(kept) - 1 > most:
            return None
        anchor_s, anchor_byte = times[keep], totals[keep]
        lowest, highest = float("-inf"), float("inf")
        index = keep + 1
    return kept
