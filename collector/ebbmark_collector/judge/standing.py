"""A subject's standing over time: what its latest soak proved, what lowered it since, until when it holds.

Rules.

1. The standing is that of the latest soak on the path in use within the role's validity (`evidence.fit`).
2. Later spots and takes may lower it, never raise it. Slow spots may have met the drive's own tidying two
   nights running, so three in a row have to agree; a link below its best explains one that is near what such
   a link carries, and then one is enough, unless another probe over this link carried what is asked. Spots
   that began unrested say what others wrote before them and lower nothing.
3. Greedily unfit, but rehearsed at the role's rate without a late frame: marginal, both shown.
4. Fit and marginal age into unproven. Unfit stays until something newer shows better: a shown failure needs
   no more proof.
5. An incident, a wrong read-back or a refused write makes it unfit until a later soak is fit (with its
   read-back right).
6. Probes that gave way or failed never count, neither way. One that the link limited says what this path
   carries, so it counts here; it never enters a series about the drive.
7. A drive that was written to and not shown to rest since carries a debt; fit waits for it, unless what was
   shown needs no rest (unlimited).
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from math import log
from statistics import median

from ebbmark_agent.evidence.demand import Demand
from ebbmark_agent.evidence.standing import MinutesKind
from ebbmark_agent.evidence.standing import Standing as Word
from ebbmark_agent.report import DiscardState, ProbeKind, ProbeOutcome

from ebbmark_collector.judge.change import LEAST_SIGMA
from ebbmark_collector.judge.findings import Ground, Reason, Standing
from ebbmark_collector.judge.history import ProbePoint, SubjectHistory
from ebbmark_collector.judge.robust import mad_sigma
from ebbmark_collector.judge.series import days_between, rested
from ebbmark_collector.roles import DriveRole

DEBT_SHARE = 0.01  # [1] of the capacity: what a probe must write to owe rest for it
DEBT_REST = timedelta(hours=6)  # after a soak; common practice, no source
LINK_SHARE = 0.97  # [1] of its best below which a link explains a slow reading
LINK_LEAST = 0.6  # [1] of a link's payload ceiling: slower than that, it is not the link
AGREEING = 3  # [1] spots in a row that may lower a standing
READINGS = 30  # [1] latest spots that tell a drive's own scatter


def stand(history: SubjectHistory, role: DriveRole | None, now: datetime) -> Standing:
    """Give a subject's standing for its role.

    Args:
        history: What is known of it; entries later than `now` are passed over.
        role: The role in force, or None.
        now: The instant it is judged at.

    Returns:
        The standing with the reasons for it, first the weightiest.
    """
    if role is None:
        return Standing(
            word=Word.UNPROVEN, role_name=None, reasons=(_because(Ground.NO_ROLE, "No role is assigned."),)
        )
    if role.demand is None:
        return Standing(
            word=Word.UNPROVEN,
            role_name=role.name,
            reasons=(_because(Ground.NOTHING_ASKED, f"The role {role.name} asks for no write rate."),),
        )
    proven = _from_soak(history, role, role.demand, now)
    lowered = _lowered(proven, history, role, role.demand, now)
    broken = _broken(lowered, history, now)
    return _with_debt(broken, history, now)


def _from_soak(history: SubjectHistory, role: DriveRole, demand: Demand, now: datetime) -> Standing:
    known = Standing(
        word=Word.UNPROVEN,
        role_name=role.name,
        rate_bytes_per_s=demand.rate_bytes_per_s,
        demand_bytes_per_s=demand.demand_bytes_per_s,
        path_key=history.path_key,
    )
    soaks = [p for p in history.soaks if p.ends_at <= now and p.fit is not None]
    on_path = [p for p in soaks if p.path_key == history.path_key]
    if not on_path:
        return replace(known, reasons=(_no_soak(soaks, history.path_key),))
    soak = on_path[-1]
    proven = _of(soak, known, Ground.SOAK)
    if proven.word is Word.UNFIT:
        return _rehearsed(proven, history, known, soak, now)
    valid_until = soak.ends_at + timedelta(days=role.role.validity_days)
    if now < valid_until:
        return replace(proven, valid_until=valid_until)
    age = days_between(soak.ends_at, now)
    aged = _because(
        Ground.AGED,
        f"The soak of {soak.at:%Y-%m-%d} is {age:.0f} days old; "
        f"the role takes {role.role.validity_days:.0f}.",
    )
    return replace(proven, word=Word.UNPROVEN, valid_until=valid_until, reasons=(aged, *proven.reasons))


def _of(point: ProbePoint, known: Standing, ground: Ground) -> Standing:
    fit = point.fit
    assert fit is not None  # callers choose points that were judged
    floor = fit.floor_bytes_per_s
    demand = known.demand_bytes_per_s
    told = "; ".join(r.sentence for r in fit.reasons)
    sentence = told or f"The {point.kind} of {point.at:%Y-%m-%d} says {fit.standing}."
    answer = fit.from_rest if fit.demand.rest_before_take_s is not None else fit.whole_medium
    return replace(
        known,
        word=fit.standing,
        shown=fit.standing,
        floor_bytes_per_s=floor,
        margin=floor / demand - 1 if floor is not None and demand else None,
        minutes=answer.minutes,
        minutes_kind=answer.kind,
        probe_id=point.probe_id,
        evidence_at=point.at,
        reasons=(_because(ground, sentence),),
    )


def _rehearsed(
    greedy: Standing, history: SubjectHistory, known: Standing, soak: ProbePoint, now: datetime
) -> Standing:
    """Lift an unfit soak to marginal where a later rehearsal on the same path kept every frame in time."""
    for p in reversed(history.probes):
        if p.kind is not ProbeKind.REHEARSAL or not soak.at <= p.at <= now or p.path_key != soak.path_key:
            continue
        if p.fit is not None and p.outcome is ProbeOutcome.COMPLETED and p.fit.standing in _CARRIES:
            paced = _of(p, known, Ground.REHEARSAL)
            return replace(
                greedy,
                word=Word.MARGINAL,
                shown=Word.MARGINAL,
                reasons=(*paced.reasons, *greedy.reasons),
                evidence_at=p.at,
            )
    return greedy


_CARRIES = frozenset({Word.FIT, Word.MARGINAL})
_ORDER = {Word.FIT: 3, Word.UNPROVEN: 2, Word.MARGINAL: 1, Word.UNFIT: 0}


def _lowered(
    standing: Standing, history: SubjectHistory, role: DriveRole, demand: Demand, now: datetime
) -> Standing:
    oldest = now - timedelta(days=role.role.validity_days)
    since = max(standing.evidence_at or oldest, oldest)
    path = history.path_key
    later = [p for p in history.spots if since < p.at <= now and p.path_key == path and rested(p)]
    proofs = [p for p in history.soaks if p.path_key == path and oldest < p.at <= now]
    found = standing
    for word, limit in ((Word.UNFIT, demand.rate_bytes_per_s), (Word.MARGINAL, demand.demand_bytes_per_s)):
        if _ORDER[found.word] <= _ORDER[word]:
            continue
        alone_from = _link_explains_from(history, [*proofs, *later], limit)
        low = shown_beneath([(p.at, p.floor_bytes_per_s or 0.0) for p in later], limit, alone_from=alone_from)
        if low is not None:
            found = _lower(found, word, low, Ground.LOWERED_BY_SPOT, "spot probe")
        taken = [
            (t.at, t.saturated_floor_bytes_per_s)
            for t in history.takes
            if t.saturated
            and t.saturated_floor_bytes_per_s is not None
            and t.path_key == path
            and since < t.at <= now
        ]
        low = shown_beneath(taken, limit, alone_from=0.0)
        if low is not None and _ORDER[found.word] > _ORDER[word]:
            found = _lower(found, word, low, Ground.LOWERED_BY_TAKE, "recording")
    return found


def _lower(
    standing: Standing, word: Word, low: tuple[datetime, float], ground: Ground, what: str
) -> Standing:
    at, floor = low
    demand = standing.demand_bytes_per_s or 0.0
    sentence = (
        f"The {what} of {at:%Y-%m-%d} fell to {floor / 1e6:.0f} MB/s; {demand / 1e6:.0f} MB/s are asked."
    )
    return replace(
        standing,
        word=word,
        shown=word,
        floor_bytes_per_s=floor,
        margin=floor / demand - 1 if demand else None,
        minutes=None,
        minutes_kind=None,
        reasons=(_because(ground, sentence), *standing.reasons),
    )


def spot_scatter(spots: Sequence[ProbePoint]) -> float:
    """Give the drive's own scatter of ln(floor) from its latest spots, as the step from one to the next [1].

    Differences of neighbours leave a slide or a step out of the scatter, which the spread about a median
    does not.
    """
    logs = [log(p.floor_bytes_per_s) for p in spots[-READINGS:] if p.floor_bytes_per_s]
    steps = [b - a for a, b in pairwise(logs)]
    # The difference of two like readings scatters sqrt(2) times as widely as one.
    return max(LEAST_SIGMA, mad_sigma(steps) / 2**0.5) if len(steps) >= 4 else 2 * LEAST_SIGMA


def _link_explains_from(
    history: SubjectHistory, over_link: Sequence[ProbePoint], limit: float
) -> float | None:
    """Give the least a slow link still carries [bytes/s]; None where the link does not explain a low reading.

    It does not where it runs at its best, or where it was seen to carry the limit.
    """
    path = history.facts.path
    if path is None or path.link_now_bytes_per_s is None or path.link_best_bytes_per_s is None:
        return None
    if path.link_now_bytes_per_s >= LINK_SHARE * path.link_best_bytes_per_s:
        return None
    if any(limit <= (p.floor_bytes_per_s or 0.0) <= path.link_now_bytes_per_s for p in over_link):
        return None
    return LINK_LEAST * path.link_now_bytes_per_s


def shown_beneath(
    readings: Sequence[tuple[datetime, float]], limit: float, *, alone_from: float | None
) -> tuple[datetime, float] | None:
    """Find the last reading that is shown to lie beneath a limit, or None.

    Args:
        readings: Instant and floor [bytes/s], oldest first.
        limit: What they are held against [bytes/s].
        alone_from: A reading at least so high is enough by itself [bytes/s]; any other, and all of them with
            None, must be one of `AGREEING` in a row beneath the limit.
    """
    run, found = 0, None
    for at, floor in readings:
        run = run + 1 if floor < limit else 0
        if run >= AGREEING or (run and alone_from is not None and floor >= alone_from):
            found = at, floor
    return found


def _broken(standing: Standing, history: SubjectHistory, now: datetime) -> Standing:
    faults = [
        *((i.happened_at, _incident_reason(i.happened_at, i.reported_by)) for i in history.incidents),
        *(
            (
                p.at,
                _because(
                    Ground.READ_BACK, f"What was read back on {p.at:%Y-%m-%d} differs from what was written."
                ),
            )
            for p in history.faulty
            if p.read_back_ok is False
        ),
        *(
            (p.at, _because(Ground.WRITE_FAULT, p.fault_sentence))
            for p in history.faulty
            if p.fault_sentence is not None
        ),
    ]
    standing_faults = [
        (at, why)
        for at, why in sorted(faults, key=lambda f: f[0])
        if at <= now and not _requalified(history, at, now)
    ]
    if not standing_faults:
        return standing
    reasons = tuple(why for _, why in reversed(standing_faults))
    return replace(standing, word=Word.UNFIT, reasons=(*reasons, *standing.reasons))


def _incident_reason(at: datetime, by: str) -> Reason:
    return _because(
        Ground.INCIDENT, f"{by} reported frames lost on {at:%Y-%m-%d}; unfit until a soak qualifies it again."
    )


def _requalified(history: SubjectHistory, at: datetime, now: datetime) -> bool:
    return any(
        p.fit is not None and p.fit.standing is Word.FIT and p.read_back_ok is not False and at < p.at <= now
        for p in history.soaks
    )


def _with_debt(standing: Standing, history: SubjectHistory, now: datetime) -> Standing:
    if not in_debt(history, now):
        return standing
    if standing.word is not Word.FIT or standing.minutes_kind is MinutesKind.UNLIMITED:
        return replace(standing, debt=True)
    owed = _because(Ground.DEBT, "It has been written to and not shown to have rested or been erased since.")
    return replace(standing, word=Word.UNPROVEN, debt=True, reasons=(owed, *standing.reasons))


def in_debt(history: SubjectHistory, now: datetime) -> bool:
    """Tell whether the last big probe is not slept off: no proven discard, erasure or six hours of rest."""
    capacity = history.facts.capacity_bytes
    for p in reversed(history.probes):
        big = p.kind is ProbeKind.SOAK or (capacity is not None and p.bytes_written > DEBT_SHARE * capacity)
        if p.at > now or not big or p.bytes_written == 0:
            continue
        erased = history.facts.erased_at
        if p.discard is DiscardState.PROVEN or (erased is not None and erased >= p.ends_at):
            return False
        return now - p.ends_at < DEBT_REST
    return False


def typical_spot(spots: Sequence[ProbePoint]) -> float | None:
    """Give the median floor of some spots [bytes/s]; None without any."""
    floors = [p.floor_bytes_per_s for p in spots if p.floor_bytes_per_s]
    return median(floors) if floors else None


def _no_soak(soaks: Sequence[ProbePoint], path_key: str | None) -> Reason:
    if soaks:
        return _because(
            Ground.OTHER_PATH,
            f"Its soaks ran on {soaks[-1].path_key}; on the path in use ({path_key}) none has run.",
        )
    return _because(Ground.NO_SOAK, "No soak has run on it, so nothing is proven past its cache.")


def _because(ground: Ground, sentence: str) -> Reason:
    return Reason(ground=ground, sentence=sentence)
