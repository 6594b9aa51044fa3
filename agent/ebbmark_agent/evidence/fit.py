"""Judges one drive from one probe against one demand.

Rules, in this order.

1. A write the kernel refused, or data that came back changed, makes a drive unfit whatever its rate.
2. A probe that gave way or did not run to its end, one over another path, file system or side, or one no
   longer than the buffer, says nothing: unproven. It never counts against a drive.
3. Floor below the rate: unfit, whatever the reach; a shown failure needs no more proof. Two exceptions: a
   rehearsal that passed over all that the role fills makes it marginal (alone too: no more is known), and a
   probe that did not begin as rested as the role promises cannot fail a drive, only pass it.
4. Floor from the rate up to the demand: marginal.
   The floor is the least of the trace's own floor (uncapped, mean, lasting) and its slowest end, so that a
   drive does not stand better for a block that took longer.
5. Floor at or above the demand: fit if the reach covers what the role fills, else unproven. For a role that
   grants rest before each take, only the first take counts, and the floor is that take's own.
6. Fit and marginal age into unproven; a shown failure stays until better is shown. Fit waits while a debt
   stands.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from ebbmark_agent.evidence.demand import Demand, Side
from ebbmark_agent.evidence.howlong import how_long
from ebbmark_agent.evidence.in_use import NOTHING_KNOWN, InUse
from ebbmark_agent.evidence.judged_floor import carries, judged_floor, replayed_traces
from ebbmark_agent.evidence.later import aged
from ebbmark_agent.evidence.links import path_ceiling
from ebbmark_agent.evidence.probe_evidence import ProbeEvidence
from ebbmark_agent.evidence.probe_words import ProbeKind, ProbeOutcome
from ebbmark_agent.evidence.reach import from_rest_shown, missing_reach, reach_of
from ebbmark_agent.evidence.rehearsal import judge_rehearsal
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_minutes, spoken_rate
from ebbmark_agent.evidence.standing import Fit, HowLong, MinutesKind, Reason, ReasonCode, Standing
from ebbmark_agent.evidence.trace import Trace


def fit(
    evidence: ProbeEvidence | None,
    demand: Demand,
    *,
    now: datetime | None = None,
    validity_days: float | None = None,
    in_use: InUse = NOTHING_KNOWN,
    rehearsal: ProbeEvidence | None = None,
) -> Fit:
    """Judge one drive from one probe.

    Args:
        evidence: The probe; None where there is none.
        demand: What is asked.
        now: The instant the age is counted to, aware, UTC; None: the age is not judged (at the bench).
        validity_days: How long such evidence speaks for the drive [days]; None: for good.
        in_use: How the drive is used now.
        rehearsal: The latest rehearsal over a like path, for a drive whose greedy floor is too low.

    Returns:
        The standing with its reasons (the deciding one first), floor, minutes and reach.
    """
    if evidence is None:
        return _without_evidence(demand)
    judged = _Judging(evidence, replayed_traces(evidence), demand, in_use, rehearsal).run()
    return aged(judged, now=now, validity_days=validity_days)


def fit_list(
    evidence: ProbeEvidence,
    demands: Iterable[Demand],
    *,
    now: datetime | None = None,
    validity_days: float | None = None,
    in_use: InUse = NOTHING_KNOWN,
) -> tuple[Fit, ...]:
    """Judge one probe against every demand of the house.

    Args:
        evidence: The probe.
        demands: What the house may ask of it.
        now: As in `fit`.
        validity_days: As in `fit`.
        in_use: As in `fit`.

    Returns:
        One fit a demand, the widest margin first; those without a floor last, by demand.
    """
    traces = replayed_traces(evidence)
    judged = [
        aged(_Judging(evidence, traces, each, in_use).run(), now=now, validity_days=validity_days)
        for each in demands
    ]
    return tuple(
        sorted(
            judged,
            key=lambda each: (
                each.margin is None,
                -(each.margin or 0.0),
                each.demand.demand_bytes_per_s,
                each.demand.name,
            ),
        )
    )


class _Judging:
    """One judgement: what is derived once, and the rules that use it."""

    def __init__(
        self,
        evidence: ProbeEvidence,
        traces: tuple[Trace, ...],
        demand: Demand,
        in_use: InUse,
        rehearsal: ProbeEvidence | None = None,
    ) -> None:
        self.evidence = evidence
        self.demand = demand
        self.in_use = in_use
        self.rehearsal = evidence if evidence.kind is ProbeKind.REHEARSAL else rehearsal
        self.traces = traces
        self._told: dict[float, HowLong] = {}
        self.floor = judged_floor(evidence, demand, traces)
        self.reach = reach_of(evidence, self.floor, fills_bytes=in_use.fills_bytes)
        self.remarks: list[Reason] = []
        self.path_limited = self._look_at_path()

    def run(self) -> Fit:
        for rule in (self._faults, self._says_nothing, self._paced_only, self._too_slow, self._thin):
            found = rule()
            if found is not None:
                return found
        return self._fast_enough()

    def _look_at_path(self) -> bool:
        ceiling = path_ceiling(self.evidence.path)
        if ceiling is None:
            return False
        if ceiling.below_best and ceiling.best_bytes_per_s is not None:
            now, best = spoken_rate(ceiling.payload_bytes_per_s), spoken_rate(ceiling.best_bytes_per_s)
            self._remark(
                ReasonCode.LINK_BELOW_BEST,
                f"the link runs at {now} where {best} would be possible: try another cable, port or reader",
            )
        figures = self.evidence.figures
        share = figures.spread.robust_share
        limited = share is not None and ceiling.holds(figures.lasting_bytes_per_s, share)
        if limited:
            self._remark(
                ReasonCode.PATH_LIMITED,
                f"the steady {spoken_rate(figures.lasting_bytes_per_s)} is what {ceiling.name} carries; "
                "above it this says nothing of the drive",
            )
        return limited

    def _remark(self, code: ReasonCode, sentence: str) -> None:
        self.remarks.append(Reason(code=code, sentence=sentence))

    # The rules.

    def _faults(self) -> Fit | None:
        if self.evidence.fault is not None:
            return self._judge(Standing.UNFIT, ReasonCode.WRITE_FAULT, self.evidence.fault)
        if self.evidence.read_back_ok is False:
            sentence = "what was written did not come back the same"
            return self._judge(Standing.UNFIT, ReasonCode.READ_BACK_WRONG, sentence)
        return None

    def _says_nothing(self) -> Fit | None:
        found = self._not_of_this() or self._not_enough()
        return self._judge(Standing.UNPROVEN, *found) if found else None

    def _not_of_this(self) -> tuple[ReasonCode, str] | None:
        evidence, in_use = self.evidence, self.in_use
        if (evidence.kind is ProbeKind.READ) is not (self.demand.side is Side.READ):
            wanted = "reading" if self.demand.side is Side.READ else "writing"
            return ReasonCode.WRONG_SIDE, f"this probe says nothing of {wanted}"
        if in_use.path_key is not None and in_use.path_key != evidence.path.key:
            return ReasonCode.OTHER_PATH, f"shown over {self.reach.path_name}, not over the path in use"
        if in_use.file_system is not None and in_use.file_system != (evidence.file_system or ""):
            through = evidence.file_system or "an unknown file system"
            return ReasonCode.OTHER_FILE_SYSTEM, f"shown through {through}, not through {in_use.file_system}"
        return None

    def _not_enough(self) -> tuple[ReasonCode, str] | None:
        evidence = self.evidence
        if evidence.outcome is ProbeOutcome.GAVE_WAY:
            return ReasonCode.GAVE_WAY, "the probe gave way to other work; what it had so far proves nothing"
        if evidence.outcome is not ProbeOutcome.COMPLETED:
            return ReasonCode.NOT_COMPLETED, "the probe did not run to its end"
        if self.floor is None:
            moved = "read" if evidence.kind is ProbeKind.READ else "written"
            written = f"{evidence.figures.duration_s:.3g} s were {moved}"
            sentence = f"{written}, no longer than the buffer of {self.demand.buffer_s:g} s; probe for longer"
            return ReasonCode.BUFFER_LONGER_THAN_TRACE, sentence
        return None

    def _paced_only(self) -> Fit | None:
        if self.evidence.kind is not ProbeKind.REHEARSAL:
            return None
        shown = judge_rehearsal(self.evidence, self.demand, fills_bytes=self.in_use.fills_bytes)
        if shown.failed:
            return self._judge(Standing.UNFIT, ReasonCode.REHEARSED, shown.sentence)
        if shown.passed:
            rule = self._rehearsed_rule(self.evidence)
            return self._judge(Standing.MARGINAL, ReasonCode.REHEARSED, shown.sentence, rule=rule)
        sentence = f"{shown.sentence}; it proves nothing"
        return self._judge(Standing.UNPROVEN, ReasonCode.REHEARSED, sentence)

    def _too_slow(self) -> Fit | None:
        rate = self.demand.rate_bytes_per_s
        if self.floor is None or carries(self.floor.bytes_per_s, rate):
            return None
        carried = spoken_rate(self.floor.bytes_per_s)
        slow = f"carries {carried}, the {self._what()} needs {spoken_rate(rate)}{self._where()}"
        granted = self.demand.rest_before_take_s is not None
        if granted and not from_rest_shown(self.evidence, self.demand):
            sentence = f"{slow}; but the probe did not begin as rested as the role promises"
            return self._judge(Standing.UNPROVEN, ReasonCode.NOT_FROM_REST, sentence)
        if self.rehearsal is not None:
            shown = judge_rehearsal(self.rehearsal, self.demand, fills_bytes=self.in_use.fills_bytes)
            self._remark(ReasonCode.REHEARSED, shown.sentence)
            if shown.passed:
                rule = self._rehearsed_rule(self.rehearsal)
                return self._judge(Standing.MARGINAL, ReasonCode.BELOW_RATE, slow, rule=rule)
        return self._judge(Standing.UNFIT, ReasonCode.BELOW_RATE, slow)

    def _thin(self) -> Fit | None:
        asked = self.demand.demand_bytes_per_s
        if self.floor is None or carries(self.floor.bytes_per_s, asked):
            return None
        carried, rate = spoken_rate(self.floor.bytes_per_s), spoken_rate(self.demand.rate_bytes_per_s)
        sentence = (
            f"carries {carried}: the {self._what()}'s {rate}, but not with its headroom, "
            f"{spoken_rate(asked)}{self._where()}"
        )
        return self._judge(Standing.MARGINAL, ReasonCode.BELOW_DEMAND, sentence, rule=self._thin_rule())

    def _fast_enough(self) -> Fit:
        assert self.floor is not None  # a missing floor says nothing and was dealt with
        asked = spoken_rate(self.demand.demand_bytes_per_s)
        carried = f"{spoken_rate(self.floor.bytes_per_s)} carried, {asked} asked"
        missing = missing_reach(
            self.evidence, self.demand, self.reach, self._from_rest(), flat=self.floor.settled
        )
        if missing is not None:
            code, sentence = missing
            return self._judge(Standing.UNPROVEN, code, f"{carried}, but {sentence}")
        if self.in_use.owed_bytes:
            owed = f"{spoken_bytes(self.in_use.owed_bytes)} were written since the last rest or erase"
            sentence = f"{carried}, but {owed}: erase it in the recorder or let it rest first"
            return self._judge(Standing.UNPROVEN, ReasonCode.DEBT, sentence)
        return self._judge(Standing.FIT, ReasonCode.CARRIES_DEMAND, carried)

    # What goes with a standing.

    def _what(self) -> str:
        return "playback" if self.demand.side is Side.READ else "recording"

    def _where(self) -> str:
        cliffs = self.evidence.figures.cliffs
        if cliffs:
            last = cliffs[-1]
            return (
                f"; it steps down at {spoken_bytes(last.at_bytes)} "
                f"from {spoken_rate(last.before_bytes_per_s)} to {spoken_rate(last.after_bytes_per_s)}"
            )
        return ""

    def _from_rest(self) -> HowLong:
        return self._minutes(self.in_use.owed_bytes)

    def _minutes(self, debt_bytes: float) -> HowLong:
        if debt_bytes not in self._told:
            asked = self.demand.demand_bytes_per_s
            carried = self.floor is not None and carries(self.floor.bytes_per_s, asked)
            unlimited = carried and self.reach.settled
            self._told[debt_bytes] = how_long(
                self.traces, self.demand, debt_bytes=debt_bytes, unlimited=unlimited
            )
        return self._told[debt_bytes]

    def _whole_medium(self) -> HowLong:
        """Answer for the whole medium, takes back to back without rest between them."""
        shown = self._minutes(self.in_use.owed_bytes)
        fills = self.in_use.fills_bytes or self.evidence.capacity_bytes
        if shown.kind is MinutesKind.LOST_AFTER or fills is None:
            return shown
        needed_minutes = fills / self.demand.rate_bytes_per_s / 60
        needed = f"the {spoken_bytes(fills)} of it take {spoken_minutes(needed_minutes)}"
        if shown.kind is MinutesKind.UNLIMITED:
            return replace(shown, sentence=f"{needed}, all of it carried")
        if self.reach.whole_medium:
            return replace(
                shown, sentence=f"one whole pass shown, {spoken_minutes(shown.minutes or 0.0)} of it"
            )
        return replace(shown, sentence=f"{needed}; shown are {spoken_minutes(shown.minutes or 0.0)}")

    def _cache_spent(self) -> HowLong | None:
        cliffs = self.evidence.figures.cliffs
        if not cliffs or len(self.traces) > 1:
            return None
        spent = self._minutes(cliffs[-1].at_bytes)
        if spent.kind is MinutesKind.LOST_AFTER:
            return replace(spent, sentence=f"frames lost after {spoken_minutes(spent.minutes or 0.0)}")
        return spent

    def _rehearsed_rule(self, rehearsal: ProbeEvidence) -> str:
        assert rehearsal.rehearsal is not None  # only called for one that passed
        heat = f" and up to {rehearsal.hottest_c:.0f} C" if rehearsal.hottest_c is not None else ""
        return (
            f"only at {spoken_rate(rehearsal.rehearsal.rate_bytes_per_s)}{heat}, as rehearsed; "
            "not as the sole medium, for without a recorder's pauses it is slower or unknown"
        )

    def _thin_rule(self) -> str:
        shown = self._from_rest()
        if shown.minutes is None:
            return "not as the sole medium: it carries the recording, but without its headroom"
        return f"only for takes up to {spoken_minutes(shown.minutes)}, not as the sole medium"

    def _judge(self, standing: Standing, code: ReasonCode, sentence: str, rule: str | None = None) -> Fit:
        return Fit(
            standing=standing,
            demand=self.demand,
            floor_bytes_per_s=None if self.floor is None else self.floor.bytes_per_s,
            from_rest=self._from_rest(),
            whole_medium=self._whole_medium(),
            cache_spent=self._cache_spent(),
            reach=self.reach,
            reasons=(Reason(code=code, sentence=sentence), *self.remarks),
            rule=rule,
            path_limited=self.path_limited,
        )


def _without_evidence(demand: Demand) -> Fit:
    nothing = HowLong(kind=MinutesKind.PROVEN_FOR, minutes=None, sentence="nothing is shown yet")
    return Fit(
        standing=Standing.UNPROVEN,
        demand=demand,
        floor_bytes_per_s=None,
        from_rest=nothing,
        whole_medium=nothing,
        reach=None,
        reasons=(
            Reason(
                code=ReasonCode.NO_EVIDENCE, sentence="no probe has shown what this drive carries; soak it"
            ),
        ),
    )
