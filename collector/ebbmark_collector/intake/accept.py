"""The way in, step by step: read, refuse what is not this host's, keep, note, judge, commit, acknowledge.

1. A report is accepted once. A repeat is acknowledged again and changes nothing.
2. It is stored, and its newest facts judged, in one transaction; only then is it acknowledged.
3. A report that cannot be read or does not belong here is refused with a sentence; the others go in.
"""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from ebbmark_agent.report import (
    FindingBody,
    HealthBody,
    InventoryBody,
    ProbeBody,
    Report,
    StatusBody,
    TakeBody,
)

from ebbmark_collector.errors import Conflict, StoreError
from ebbmark_collector.intake import facts
from ebbmark_collector.intake.facts import Arrival
from ebbmark_collector.intake.judging import look_at
from ebbmark_collector.intake.naming import known_subject
from ebbmark_collector.intake.reading import Arrived, read_report
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.store import Store, Tx, drives, hosts, reports, savepoint

_LOG = logging.getLogger(__name__)
_TRIES = 2  # [1] before each report is tried by itself


@dataclass(frozen=True, kw_only=True, slots=True)
class Refused:
    """A report that was not taken in, and why."""

    report_id: str | None
    problem: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Receipt:
    """What became of a batch: ids taken in, ids known before, and refusals."""

    accepted: tuple[str, ...] = ()
    repeated: tuple[str, ...] = ()
    refused: tuple[Refused, ...] = ()


@dataclass(kw_only=True, slots=True)
class _Tally:
    accepted: list[str] = field(default_factory=list)
    repeated: list[str] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    touched: dict[str, None] = field(default_factory=dict)

    def receipt(self) -> Receipt:
        return Receipt(
            accepted=tuple(self.accepted), repeated=tuple(self.repeated), refused=tuple(self.refused)
        )


def accept(store: Store, document: bytes | Report, *, host_id: str, received_at: datetime) -> Receipt:
    """Take in one report of a host.

    Raises:
        StoreError: When the database refuses; nothing was taken in.
    """
    return accept_many(store, [document], host_id=host_id, received_at=received_at)


def accept_many(
    store: Store, documents: Sequence[bytes | Report | Arrived], *, host_id: str, received_at: datetime
) -> Receipt:
    """Take in several reports of one host in one transaction.

    Args:
        store: Where to.
        documents: Each a report's bytes, a report, or a report read before.
        host_id: The host the caller has shown to be.
        received_at: When they came in.

    Raises:
        StoreError: When the database refuses; nothing was taken in.
    """
    arrived = [_arrived(document) for document in documents]
    for _ in range(_TRIES):
        # Another worker may be taking in the same reports; the second look finds them known.
        try:
            return store.write(lambda tx: _take_all(tx, arrived, host_id, received_at))
        except Conflict:
            continue
    try:
        return store.write(lambda tx: _take_all(tx, arrived, host_id, received_at))
    except (Conflict, ValueError, ArithmeticError, LookupError, TypeError, AttributeError):
        if len(arrived) > 1:
            return _one_by_one(store, arrived, host_id, received_at)
        _LOG.exception("a report could not be taken in", extra={"report_id": arrived[0].report_id})
        problem = "The collector could not take this report in; its log says why. Set it aside and go on."
        return Receipt(refused=(Refused(report_id=arrived[0].report_id, problem=problem),))


def _one_by_one(store: Store, arrived: list[Arrived], host_id: str, received_at: datetime) -> Receipt:
    # One report that trips the collector must not hold up the others of its batch for ever.
    tally = _Tally()
    for one in arrived:
        receipt = accept_many(store, [one], host_id=host_id, received_at=received_at)
        tally.accepted += receipt.accepted
        tally.repeated += receipt.repeated
        tally.refused += receipt.refused
    return tally.receipt()


def _arrived(document: bytes | Report | Arrived) -> Arrived:
    if isinstance(document, Arrived):
        return document
    if isinstance(document, Report):
        return Arrived(
            report_id=document.report_id, document=document.model_dump_json().encode(), report=document
        )
    return read_report(document)


def _take_all(tx: Tx, arrived: list[Arrived], host_id: str, received_at: datetime) -> Receipt:
    tally = _Tally()
    newest: Report | None = None
    for one in arrived:
        if one.report is None:
            tally.refused.append(
                Refused(report_id=one.report_id, problem=one.problem or "It cannot be read.")
            )
        elif one.report.host_id != host_id:
            problem = (
                f"This token speaks for host {host_id}, the report for another. Enrol that host by itself."
            )
            tally.refused.append(Refused(report_id=one.report_id, problem=problem))
        elif _take_one(tx, one, one.report, received_at, tally) and (
            newest is None or one.report.sequence > newest.sequence
        ):
            newest = one.report
    _judge_touched(tx, tally, received_at)
    if newest is not None:
        arrival = Arrival.of(newest, received_at)
        hosts.heard(
            tx,
            host_id=host_id,
            agent_version=newest.agent_version,
            received_ms=arrival.received_ms,
            sequence=newest.sequence,
        )
    return tally.receipt()


def _take_one(tx: Tx, one: Arrived, report: Report, received_at: datetime, tally: _Tally) -> bool:
    arrival = Arrival.of(report, received_at)
    sender = reports.is_known(tx, report.report_id) or _folded_sender(tx, arrival)
    if sender is not None:
        if sender == report.host_id:
            tally.repeated.append(report.report_id)
        else:
            problem = "Another host has sent a report with this id. Was this machine cloned? Enrol it anew."
            tally.refused.append(Refused(report_id=report.report_id, problem=problem))
        return False
    drive_ids, at_once = _note(tx, arrival)
    subject_id = report.host_id
    if not isinstance(report.body, InventoryBody | StatusBody):
        subject_id = drive_ids[0]
    reports.keep(
        tx,
        report_id=report.report_id,
        host_id=report.host_id,
        subject_id=subject_id,
        kind=report.body.kind,
        made_ms=arrival.made_ms,
        received_ms=arrival.received_ms,
        sequence=report.sequence,
        wire_version=report.wire_version,
        document=one.document,
    )
    if at_once:
        tally.touched.update(dict.fromkeys(drive_ids))
    for drive_id in drive_ids:
        drives.look_again(tx, drive_id)
    tally.accepted.append(report.report_id)
    return True


def _folded_sender(tx: Tx, arrival: Arrival) -> str | None:
    # Only health is folded, and only after days; what is fresh costs no look.
    report = arrival.report
    if not isinstance(report.body, HealthBody) or arrival.received_ms - arrival.made_ms < reports.DAY_MS:
        return None
    subject_id = known_subject(tx, report.body.subject, host_id=report.host_id)
    if subject_id is None:
        return None
    return reports.is_folded(tx, subject_id, made_ms=arrival.made_ms, report_id=report.report_id)


def _judge_touched(tx: Tx, tally: _Tally, now: datetime) -> None:
    if not tally.touched:
        return
    book = rulebook(tx)
    for drive_id in tally.touched:
        try:
            with savepoint(tx, "judging"):
                look_at(tx, drive_id, book, now)
        except StoreError:
            raise
        except Exception:  # noqa: BLE001
            # What came in is kept whatever a rule makes of it; the next round tries to judge it again.
            _LOG.exception("a drive could not be judged", extra={"drive_id": drive_id})


def _note(tx: Tx, arrival: Arrival) -> tuple[list[str], bool]:
    """Note what a report says; give the drives it is about and whether they must be judged at once."""
    body = arrival.report.body
    match body:
        case InventoryBody():
            return facts.take_inventory(tx, arrival, body), True
        case HealthBody():
            drive_id, at_once = facts.take_health(tx, arrival, body)
            return [drive_id], at_once
        case ProbeBody():
            return [facts.take_probe(tx, arrival, body)], True
        case TakeBody():
            return [facts.take_take(tx, arrival, body)], body.take.saturated
        case FindingBody():
            return [facts.take_finding(tx, arrival, body)], True
        case StatusBody():
            facts.take_status(tx, arrival, body)
            return [], False
