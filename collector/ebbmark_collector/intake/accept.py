"""The way in, step by step: read, refuse what is not this host's, keep, note, judge, commit, acknowledge.

1. A report is accepted once. A repeat is acknowledged again and changes nothing.
2. It is stored, and its newest facts judged, in one transaction; only then is it acknowledged.
3. A report that cannot be read or does not belong here is refused with a sentence; the others go in.
"""

import logging
from collections.abc import Sequence
from datetime import datetime

from ebbmark_agent.report import Report

from ebbmark_collector.errors import Conflict
from ebbmark_collector.intake.reading import Arrived, read_report
from ebbmark_collector.intake.taking import Receipt, Refused, Request, take_all
from ebbmark_collector.store import Store, Tx

_LOG = logging.getLogger(__name__)
_TRIES = 2  # [1] before each report is tried by itself


class _TakeIn:
    """The job of taking in one request; several that wait for the same commit are done as one."""

    def __init__(self, request: Request) -> None:
        self.request = request

    def __call__(self, tx: Tx) -> Receipt:
        return take_all(tx, [self.request])[0]

    @staticmethod
    def together(tx: Tx, jobs: Sequence["_TakeIn"]) -> list[Receipt]:
        return take_all(tx, [job.request for job in jobs])


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
    arrived = tuple(_arrived(document) for document in documents)
    job = _TakeIn(Request(arrived=arrived, host_id=host_id, received_at=received_at))
    for _ in range(_TRIES):
        # Another worker may be taking in the same reports; the second look finds them known.
        try:
            return store.write(job)
        except Conflict:
            continue
        except (ValueError, ArithmeticError, LookupError, TypeError, AttributeError):
            break
    return _one_by_one(store, job.request)


def accept_together(
    store: Store, batches: Sequence[tuple[str, Sequence[Report]]], *, received_at: datetime
) -> list[Receipt]:
    """Take in what several hosts sent at one instant in one transaction.

    Args:
        store: Where to.
        batches: Host and its reports.
        received_at: When they came in.

    Returns:
        What became of each batch.

    Raises:
        Conflict, ValueError: When one of them trips the collector; nothing was taken in.
        StoreError: When the database refuses; nothing was taken in.
    """
    jobs = [
        _TakeIn(
            Request(
                arrived=tuple(_arrived(report) for report in sent), host_id=host_id, received_at=received_at
            )
        )
        for host_id, sent in batches
    ]
    return store.write(lambda tx: _TakeIn.together(tx, jobs))


def _one_by_one(store: Store, request: Request) -> Receipt:
    # One report that trips the collector must not hold up the others of its batch for ever.
    receipts = []
    for one in request.arrived:
        alone = Request(arrived=(one,), host_id=request.host_id, received_at=request.received_at)
        try:
            receipts.append(store.write(_TakeIn(alone)))
        except (Conflict, ValueError, ArithmeticError, LookupError, TypeError, AttributeError):
            _LOG.exception("a report could not be taken in", extra={"report_id": one.report_id})
            problem = "The collector could not take this report in; its log says why. Set it aside and go on."
            receipts.append(Receipt(refused=(Refused(report_id=one.report_id, problem=problem),)))
    return Receipt(
        accepted=tuple(name for receipt in receipts for name in receipt.accepted),
        repeated=tuple(name for receipt in receipts for name in receipt.repeated),
        refused=tuple(refused for receipt in receipts for refused in receipt.refused),
    )


def _arrived(document: bytes | Report | Arrived) -> Arrived:
    if isinstance(document, Arrived):
        return document
    if isinstance(document, Report):
        return Arrived(
            report_id=document.report_id, document=document.model_dump_json().encode(), report=document
        )
    return read_report(document)
