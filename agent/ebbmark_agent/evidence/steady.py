"""Tells whether the end of a trace holds steady, by the test solid-state drives are specified with.

Source: SNIA Solid State Storage Performance Test Specification v2.0.2, 2020, 2.1.13 (measurement window of
five rounds) and 2.1.24 (steady state). The text says "less than" and "no more than"; `<=` is used here.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ebbmark_agent.evidence.plateaus import Plateau
from ebbmark_agent.evidence.trace import Trace

ROUNDS = 5  # [1] SNIA PTS 2.1.13
RANGE_SHARE = 0.20  # [1] SNIA PTS 2.1.24 a
FIT_SHARE = 0.10  # [1] SNIA PTS 2.1.24 b
SHORTEST_ROUND_S = 10.0  # [s] own: long enough for a drive's housekeeping to show
FIELD_ROUND_S = 60.0  # [s] SNIA PTS 7: a test point runs one minute a round
FEWEST_STEPS = 20  # [1] own: a round of fewer blocks is luck
ROUNDS_A_TRACE = 300  # [1] own: thinning keeps 20 steps to a round of this share of the trace


@dataclass(frozen=True, kw_only=True, slots=True)
class SteadyState:
    """The numbers of one steady-state test, as a test report gives them.

    Attributes:
        rounds_bytes_per_s: The mean rates of the rounds, in order [bytes/s].
        round_s: How long each lasted [s]; None where the rounds came from elsewhere.
        average_bytes_per_s: Their average [bytes/s].
        allowed_range_bytes_per_s: 20 % of the average [bytes/s].
        measured_range_bytes_per_s: Fastest less slowest round [bytes/s].
        allowed_fit_bytes_per_s: 10 % of the average [bytes/s].
        measured_fit_bytes_per_s: By how much the fitted line rises or falls over the rounds [bytes/s].
        slope_bytes_per_s: The fitted line's change a round [bytes/s].
        intercept_bytes_per_s: The fitted line at the first round [bytes/s].
        held: Whether both excursions are within what is allowed.
    """

    rounds_bytes_per_s: tuple[float, ...]
    round_s: float | None
    average_bytes_per_s: float
    allowed_range_bytes_per_s: float
    measured_range_bytes_per_s: float
    allowed_fit_bytes_per_s: float
    measured_fit_bytes_per_s: float
    slope_bytes_per_s: float
    intercept_bytes_per_s: float
    held: bool


def steady_state(rounds_bytes_per_s: Sequence[float], round_s: float | None = None) -> SteadyState:
    """Apply the steady-state test to five rounds.

    Args:
        rounds_bytes_per_s: The rounds' rates, in order [bytes/s].
        round_s: How long each lasted, kept with the result [s].

    Returns:
        The test's numbers and whether it held.

    Raises:
        ValueError: There are not exactly five rounds.
    """
    if len(rounds_bytes_per_s) != ROUNDS:
        raise ValueError(f"the steady-state test takes {ROUNDS} rounds, got {len(rounds_bytes_per_s)}")
    total = sum(rounds_bytes_per_s)
    average = total / ROUNDS
    spread = max(rounds_bytes_per_s) - min(rounds_bytes_per_s)
    lean = sum((index - 2) * rate for index, rate in enumerate(rounds_bytes_per_s))  # 10 x the slope
    return SteadyState(
        rounds_bytes_per_s=tuple(rounds_bytes_per_s),
        round_s=round_s,
        average_bytes_per_s=average,
        allowed_range_bytes_per_s=average * RANGE_SHARE,
        measured_range_bytes_per_s=spread,
        allowed_fit_bytes_per_s=average * FIT_SHARE,
        measured_fit_bytes_per_s=abs(lean) * 4 / 10,
        slope_bytes_per_s=lean / 10,
        intercept_bytes_per_s=average - 2 * lean / 10,
        # whole-numbered on both sides, so that the edges do not hang on how 0.2 is stored
        held=total > 0 and 25 * spread <= total and 20 * abs(lean) <= total,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Settling:
    """Whether a trace's last plateau holds steady, or why that cannot be told.

    Attributes:
        steady: The test's numbers; None where the plateau is too short for five rounds.
        needed_round_s: The shortest round that would do [s].
        plateau_s: How long the last plateau lasts [s].
    """

    steady: SteadyState | None
    needed_round_s: float
    plateau_s: float

    @property
    def held(self) -> bool:
        """Tell whether the test was possible and held."""
        return self.steady is not None and self.steady.held


def settling(trace: Trace, last: Plateau, buffer_s: float = 0.0) -> Settling:
    """Apply the steady-state test to the last five rounds of a trace's last plateau.

    Rounds last a minute where the plateau is long enough, else a fifth of it, but never less than ten
    seconds, the recorder's buffer, and twenty steps.

    Args:
        trace: The trace.
        last: Its last plateau.
        buffer_s: The recorder's buffer [s].

    Returns:
        The test's numbers, or how long a round would have had to be.
    """
    first = len([at_s for at_s in trace.times_s if at_s <= last.start_s])
    longest_steps_s = _longest_run_s(trace.times_s[max(0, first - 1) :])
    needed_s = max(SHORTEST_ROUND_S, buffer_s, longest_steps_s, trace.duration_s / ROUNDS_A_TRACE)
    round_s = max(needed_s, min(FIELD_ROUND_S, last.length_s / ROUNDS))
    if round_s * ROUNDS > last.length_s * (1 + 1e-9):
        return Settling(steady=None, needed_round_s=needed_s, plateau_s=last.length_s)
    marks = [trace.bytes_at(last.end_s - round_s * (ROUNDS - index)) for index in range(ROUNDS + 1)]
    rates = [(after - before) / round_s for before, after in pairwise(marks)]
    return Settling(steady=steady_state(rates, round_s), needed_round_s=needed_s, plateau_s=last.length_s)


def _longest_run_s(times: Sequence[float]) -> float:
    """Give how long twenty steps took on average [s]."""
    steps = len(times) - 1
    return FEWEST_STEPS * (times[-1] - times[0]) / max(1, steps)
