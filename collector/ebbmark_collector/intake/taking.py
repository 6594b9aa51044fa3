"""Requests taken in within one transaction: what each report says is noted, drives with news are judged.

Requests that come together are taken in together, so that what they leave is written in few statements.
"""

import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from ebbmark_agent.report import (
    FindingBody,
    HealthBody,
    InventoryBody,
    ProbeBody,
    Report,
    StatusBody,
    Subject,
    TakeBody,
)

from ebbmark_collector.errors import StoreError
from ebbmark_collector.intake import facts
from ebbmark_collector.intake.facts import Arrival
from ebbmark_collector.intake.judging import look_at
from ebbmark_collector.intake.naming import known_subject
from ebbmark_collector.intake.reading import Arrived
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.intake.sheaf import Sheaf
from ebbmark_collector.store import Tx, Value, hosts, reports, savepoint, to_ms

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True, slots=True)
class Refused:
    """A report that was not taken in, and why."""

    report_id: str | None
    problem: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Receipt:
    """What became of a request: ids taken in, ids known before, and refusals."""

    accepted: tuple[str, ...] = ()
    repeated: tuple[str, ...] = ()
    refused: tuple[Refused, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """Reports of one host that came in at one instant."""

    arrived: tuple[Arrived, ...]
    host_id: str
    received_at: datetime

    def readable(self) -> Iterator[Report]:
        """Give the reports that can be read and are this host's."""
        for one in self.arrived:
            if one.report is not None and one.report.host_id == self.host_id:
                yield one.report


@dataclass(kw_only=True, slots=True)
class _Tally:
    accepted: list[str] = field(default_factory=list)
    repeated: list[str] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    newest: Report | None = None

    def refuse(self, report_id: str | None, problem: str) -> None:
        self.refused.append(Refused(report_id=report_id, problem=problem))

    def receipt(self) -> Receipt:
        return Receipt(
            accepted=tuple(self.accepted), repeated=tuple(self.repeated), refused=tuple(self.refused)
        )


def take_all(tx: Tx, requests: Sequence[Request]) -> list[Receipt]:
    """Take in requests, in their order.

    Args:
        tx: A writing transaction.
        requests: Of any hosts.

    Returns:
        What became of each.

    Raises:
        StoreError: When the database refuses.
    """
    taking = _Taking(tx, requests)
    tallies = [taking.take(request) for request in requests]
    taking.sheaf.write()
    taking.judge()
    hosts.heard(tx, _spoke(requests, tallies))
    return [tally.receipt() for tally in tallies]


def _spoke(requests: Sequence[Request], tallies: Sequence[_Tally]) -> list[dict[str, Value]]:
    """Give what each host that said something is heard of, once however many requests it sent."""
    spoke: dict[str, tuple[Report, int]] = {}
    for request, tally in zip(requests, tallies, strict=True):
        if tally.newest is not None:
            newest, received_ms = spoke.get(request.host_id, (tally.newest, 0))
            newest = max(newest, tally.newest, key=lambda report: report.sequence)
            spoke[request.host_id] = (newest, max(received_ms, to_ms(request.received_at)))
    return [
        {
            "host_id": host_id,
            "agent_version": newest.agent_version,
            "received_ms": received_ms,
            "sequence": newest.sequence,
        }
        for host_id, (newest, received_ms) in spoke.items()
    ]


class _Taking:
    def __init__(self, tx: Tx, requests: Sequence[Request]) -> None:
        self.sheaf = Sheaf(tx)
        self._tx = tx
        readable = [report for request in requests for report in request.readable()]
        self._senders = reports.known(tx, [report.report_id for report in readable])
        self.sheaf.expect([subject for report in readable if (subject := _subject_of(report)) is not None])
        self._touched: dict[str, datetime] = {}

    def take(self, request: Request) -> _Tally:
        tally = _Tally()
        for one in request.arrived:
            if one.report is None:
                tally.refuse(one.report_id, one.problem or "It cannot be read.")
            elif one.report.host_id != request.host_id:
                problem = (
                    f"This token speaks for host {request.host_id}, the report for another. "
                    "Enrol that host by itself."
                )
                tally.refuse(one.report_id, problem)
            else:
                self._take_one(one, one.report, request.received_at, tally)
        return tally

    def _take_one(self, one: Arrived, report: Report, received_at: datetime, tally: _Tally) -> None:
        arrival = Arrival.of(report, received_at)
        sender = self._senders.get(report.report_id) or self._folded_sender(arrival)
        if sender is not None:
            if sender == report.host_id:
                tally.repeated.append(report.report_id)
            else:
                problem = (
                    "Another host has sent a report with this id. Was this machine cloned? Enrol it anew."
                )
                tally.refuse(report.report_id, problem)
            return
        drive_ids, at_once = self._note(arrival)
        is_of_host = isinstance(report.body, InventoryBody | StatusBody)
        self.sheaf.add_report(
            {
                "report_id": report.report_id,
                "host_id": report.host_id,
                "subject_id": report.host_id if is_of_host else drive_ids[0],
                "kind": report.body.kind,
                "made_ms": arrival.made_ms,
                "received_ms": arrival.received_ms,
                "sequence": report.sequence,
                "wire_version": report.wire_version,
                "document": one.document,
            }
        )
        for drive_id in drive_ids:
            self.sheaf.look_again(drive_id)
            if at_once:
                self._touched[drive_id] = max(received_at, self._touched.get(drive_id, received_at))
        self._senders[report.report_id] = report.host_id
        tally.accepted.append(report.report_id)
        if tally.newest is None or report.sequence > tally.newest.sequence:
            tally.newest = report

    def _folded_sender(self, arrival: Arrival) -> str | None:
        # Only health is folded, and only after days; what is fresh costs no look.
        report = arrival.report
        if not isinstance(report.body, HealthBody) or arrival.received_ms - arrival.made_ms < reports.DAY_MS:
            return None
        subject_id = known_subject(self._tx, report.body.subject, host_id=report.host_id)
        if subject_id is None:
            return None
        return reports.is_folded(self._tx, subject_id, made_ms=arrival.made_ms, report_id=report.report_id)

    def _note(self, arrival: Arrival) -> tuple[list[str], bool]:
        """Note what a report says; give the drives it is about and whether they must be judged at once."""
        tx, body = self._tx, arrival.report.body
        match body:
            case InventoryBody():
                self.sheaf.write()
                self.sheaf.forget_names()
                return facts.take_inventory(tx, arrival, body), True
            case HealthBody():
                drive_id, at_once = facts.take_health(self.sheaf, arrival, body)
                return [drive_id], at_once
            case ProbeBody():
                return [facts.take_probe(tx, arrival, body)], True
            case TakeBody():
                return [facts.take_take(tx, arrival, body)], body.take.saturated
            case FindingBody():
                return [facts.take_finding(tx, arrival, body)], True
            case StatusBody():
                self.sheaf.write()
                facts.take_status(tx, arrival, body)
                return [], False

    def judge(self) -> None:
        """Judge the drives with news that must not wait for a round."""
        if not self._touched:
            return
        book = rulebook(self._tx)
        for drive_id, now in self._touched.items():
            try:
                with savepoint(self._tx, "judging"):
                    look_at(self._tx, drive_id, book, now)
            except StoreError:
                raise
            except Exception:  # noqa: BLE001
                # What came in is kept whatever a rule makes of it; the next round tries to judge it again.
                _LOG.exception("a drive could not be judged", extra={"drive_id": drive_id})


def _subject_of(report: Report) -> Subject | None:
    body = report.body
    return None if isinstance(body, InventoryBody | StatusBody) else body.subject
