"""One subject judged from what is stored, and what follows stored: standing, alerts, their history.

1. `look_at` runs in the transaction that stored the newest facts; what it reads has a bound.
2. Trend, cohort and outlook come from the last round; a round hands in fresh ones.
3. A probe's fit for the role in force is kept beside it, under the mark of the role it was judged for.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from ebbmark_agent.evidence import Demand, fit
from ebbmark_agent.report import ProbeResult, Report, evidence_of

from ebbmark_collector.alerts import AlertState, ConditionKind, step, weigh
from ebbmark_collector.intake import points
from ebbmark_collector.intake.past import history_of
from ebbmark_collector.intake.rulebook import Rulebook, candidate_of
from ebbmark_collector.judge import (
    Cohort,
    Likeness,
    Outlook,
    SoakSooner,
    Standing,
    causes,
    soak_sooner,
    stand,
)
from ebbmark_collector.judge.history import Siblings, SubjectHistory
from ebbmark_collector.roles import DriveRole
from ebbmark_collector.store import (
    Row,
    Tx,
    Value,
    alerting,
    drives,
    evidence,
    from_ms,
    hosts,
    judgement,
    reports,
    to_ms,
)

_JUDGED_BY_FIT = frozenset({"soak", "rehearsal", "copy", "read"})


@dataclass(frozen=True, kw_only=True)
class Fresh:
    """What a round worked out for a subject."""

    outlook: Outlook
    cohort: Cohort


def assign_role(tx: Tx, row: Row, host: Row | None, book: Rulebook, now: datetime) -> Row:
    """Give a drive the role that the rules say, and its row as it is then."""
    found = book.assign(candidate_of(row, host["name"] if host else None))
    rule_id, role = found if found is not None and found[1] in book.roles else (None, None)
    if role == row["role"] and rule_id == row["assignment_id"]:
        return row
    since = row["role_since_ms"] if role == row["role"] else to_ms(now)
    columns: dict[str, Value] = {"role": role, "assignment_id": rule_id, "role_since_ms": since}
    drives.update_drive(tx, row["drive_id"], columns)
    return {**row, **columns}


def fit_key_of(role: DriveRole | None, drive: Row) -> str:
    """Give the mark of what a fit follows from beside the probe: what the role asks, what the drive is."""
    if role is None or role.demand is None:
        return "no demand"
    return _fit_key(role.demand, drive["capacity_bytes"], drive["rotational"])


@lru_cache(maxsize=1024)
def _fit_key(demand: Demand, capacity_bytes: int | None, rotational: int | None) -> str:
    told = repr((demand, capacity_bytes, rotational))
    return hashlib.sha256(told.encode()).hexdigest()[:24]


def kept_result(tx: Tx, probe: Row) -> ProbeResult:
    """Give a probe as reported, with its trace where it is still kept."""
    row = reports.report(tx, probe["report_id"]) if probe["trace_kept"] else None
    if row is None:
        return points.bare_result(probe)
    body = Report.model_validate_json(row["document"]).body
    result: ProbeResult = body.result  # type: ignore[union-attr]  # the row says it is a probe's report
    return result


def judge_probe(tx: Tx, drive: Row, probe: Row, role: DriveRole | None) -> None:
    """Work out what follows from one probe's figures for the role in force, and keep it beside the probe."""
    key = fit_key_of(role, drive)
    if probe["fit_key"] == key:
        return
    figures = points.stored_figures(probe["figures"])
    demand = role.demand if role else None
    columns: dict[str, Value] = {
        "fit_key": key,
        "fit_json": None,
        "standing": None,
        "floor_bytes_per_s": None,
    }
    if figures is not None:
        columns["floor_bytes_per_s"] = points.floor_for(figures, demand)
        if demand is not None and probe["kind"] in _JUDGED_BY_FIT:
            result = kept_result(tx, probe)
            judged = fit(
                evidence_of(
                    result,
                    figures=figures,
                    started_at=from_ms(probe["started_ms"]),
                    capacity_bytes=drive["capacity_bytes"],
                    rotational=None if drive["rotational"] is None else bool(drive["rotational"]),
                ),
                demand,
            )
            columns["fit_json"] = evidence.pack(judgement.FIT.dump_json(judged).decode())
            columns["standing"] = judged.standing.value
    if probe["outcome"] == "completed" and not probe["path_limited"]:
        floor = columns["floor_bytes_per_s"]
        drives.show_floor(
            tx,
            probe["drive_id"],
            kind=probe["kind"],
            started_ms=probe["started_ms"],
            floor=floor if isinstance(floor, float) else None,
            cliff=probe["cliff_at_bytes"],
        )
    judgement.set_probe_judgement(tx, probe["drive_id"], probe["started_ms"], probe["probe_id"], columns)


def _stored_outlook(row: Row, now: datetime) -> Outlook:
    text = row["outlook_json"]
    return judgement.OUTLOOK.validate_json(text) if text else Outlook(at=now)


def _stored_cohort(row: Row) -> Cohort:
    text = row["cohort_json"]
    return judgement.COHORT.validate_json(text) if text else Cohort(likeness=Likeness.TOO_FEW)


def refit(tx: Tx, row: Row, role: DriveRole | None) -> None:
    """Bring every probe's judgement up to what the role in force asks."""
    drive_id, key = row["drive_id"], fit_key_of(role, row)
    if row["fits_key"] == key:
        if not row["look_again"]:
            return  # nothing came in since its last look
        found = evidence.probes_not_judged(tx, drive_id)
    else:
        found = evidence.probes_judged_otherwise(tx, drive_id, key)
        drives.update_drive(tx, drive_id, {"fits_key": key})
    for probe in found:
        judge_probe(tx, row, probe, role)


def look_at(
    tx: Tx,
    drive_id: str,
    book: Rulebook,
    now: datetime,
    *,
    fresh: Fresh | None = None,
    siblings: Siblings | None = None,
    history: SubjectHistory | None = None,
    row: Row | None = None,
    host: Row | None = None,
) -> Standing | None:
    """Judge one subject and keep what follows.

    Args:
        tx: A writing transaction.
        drive_id: The subject.
        book: The rules in force.
        now: The instant it is judged at.
        fresh: What a round worked out; without it the last round's holds.
        siblings: Drives like it, for a round.
        history: Its past, if the caller has put it together already.
        row: Its row as it is in this transaction, if the caller has it; then its host's row as well.
        host: The row of its host.

    Returns:
        Its standing, or None for an unknown subject.
    """
    if row is None:
        row = drives.drive(tx, drive_id)
        if row is None:
            return None
        host = hosts.host(tx, row["host_id"]) if row["host_id"] else None
    before = row["role"]
    row = assign_role(tx, row, host, book, now)
    role = book.role(row["role"])
    refit(tx, row, role)
    if history is None or before != row["role"]:
        history = history_of(tx, row, host, now, siblings=siblings)
    standing = stand(history, role, now)
    outlook = fresh.outlook if fresh else _stored_outlook(row, now)
    cohort = fresh.cohort if fresh else _stored_cohort(row)
    ranked = causes(history, role, standing, outlook, now)
    states = alerting.states_of(tx, drive_id)
    conditions = weigh(history, role, standing, outlook, causes=ranked, cohort=cohort, known=states, now=now)
    stepped = step(states, conditions, now)
    alerting.keep(tx, stepped.states, stepped.transitions, now=now, drive_id=drive_id, host_id=row["host_id"])
    _keep_standing(tx, row, standing, now)
    columns: dict[str, Value] = {
        **judgement.standing_columns(standing),
        "causes_json": judgement.CAUSES.dump_json(ranked).decode(),
        "judged_ms": to_ms(now),
        "look_again": 0,
    }
    if fresh is not None:
        first = min(
            ((m.likely, m.limit.value) for m in fresh.outlook.meetings if m.likely is not None), default=None
        )
        columns["likely_ms"] = to_ms(first[0]) if first else None
        columns["likely_limit"] = first[1] if first else None
        columns["outlook_json"] = judgement.OUTLOOK.dump_json(fresh.outlook).decode()
        sooner = _soak_sooner(history, role, fresh.outlook, [*stepped.states, *states.values()], now)
        columns["soak_every_days"] = sooner.every_days if sooner else None
        columns["soak_sooner_why"] = sooner.why if sooner else None
        columns["cohort_json"] = judgement.COHORT.dump_json(fresh.cohort).decode()
    # What stands there already is left alone: every column named is another index to keep.
    drives.update_drive(tx, drive_id, {name: value for name, value in columns.items() if row[name] != value})
    return standing


def _soak_sooner(
    history: SubjectHistory,
    role: DriveRole | None,
    outlook: Outlook,
    states: Iterable[AlertState],
    now: datetime,
) -> SoakSooner | None:
    """Say whether the judge wants the next soak sooner; of an alert's states the first given holds."""
    stopped = next((s for s in states if s.key.kind is ConditionKind.TRIM_STOPPED), None)
    since = stopped.condition.since if stopped is not None and stopped.is_open else None
    return soak_sooner(history, role, outlook, now, untrimmed_since=since)


def _keep_standing(tx: Tx, row: Row, standing: Standing, now: datetime) -> None:
    last = judgement.last_standing(tx, row["drive_id"])
    if last is not None:
        at_ms, word, role_name = last
        if (word == standing.word.value and role_name == standing.role_name) or at_ms > to_ms(now):
            return
    judgement.note_change(tx, row["drive_id"], standing, now=now)
    drives.update_drive(tx, row["drive_id"], {"standing_since_ms": to_ms(now)})
