"""Talks to the collector: fetches orders, delivers what waits, and leaves it alone while it asks for that."""

import logging
from enum import StrEnum

from ebbmark_agent.consent import accept_orders, read_orders
from ebbmark_agent.cycle.state import Running
from ebbmark_agent.errors import (
    AgentError,
    AnswerMalformedError,
    DeliveryError,
    NotEnrolledError,
    OrdersRefusedError,
)
from ebbmark_agent.memory import Enrolment
from ebbmark_agent.uplink import Collector, Pause, deliver, read_token

log = logging.getLogger(__name__)


class SyncEnd(StrEnum):
    """How a round with the collector ended."""

    DELIVERED = "delivered"
    LEFT_ALONE = "left_alone"
    FAILED = "failed"


def sync(running: Running, *, most_batches: int = 1_000) -> SyncEnd:
    """Fetch orders and deliver what waits.

    Args:
        running: The agent.
        most_batches: How many requests of reports at most [1].

    Returns:
        How it ended; what could not be delivered waits on.

    Raises:
        NotEnrolledError: This machine has no collector.
        TokenFileError: The token cannot be read.
        InsecureCollectorError: The address is plain http beyond this machine.
    """
    now = running.clock.utc()
    enrolment = running.memory.enrolment()
    if enrolment is None:
        raise NotEnrolledError
    if not running.pause.over(now):
        return SyncEnd.LEFT_ALONE
    collector = _collector(running, enrolment)
    try:
        _fetch_orders(running, collector, enrolment)
        outcome = deliver(
            running.spool,
            collector,
            now=running.clock.utc,
            wait_s=running.stopping.wait,
            most_batches=most_batches,
        )
        if outcome.error is not None:
            return _failed(running, outcome.error)
    except (DeliveryError, AnswerMalformedError) as error:
        return _failed(running, error)
    finally:
        collector.close()
    running.pause = Pause()
    running.memory.done("contact", at=running.clock.utc())
    return SyncEnd.DELIVERED


def _collector(running: Running, enrolment: Enrolment) -> Collector:
    settings = running.settings.collector
    return Collector(
        url=settings.url or enrolment.collector_url,
        token=read_token(running.settings.token_path),
        agent_version=running.agent_version,
        ca_file=settings.ca_file,
        allow_plain_http=settings.allow_plain_http,
    )


def _fetch_orders(running: Running, collector: Collector, enrolment: Enrolment) -> None:
    held, tag = running.memory.orders()
    fetched = collector.fetch_orders(host_id=enrolment.host_id, tag=tag)
    running.memory.done("contact", at=running.clock.utc())
    if fetched is None:
        return
    try:
        orders = accept_orders(
            read_orders(fetched.document), host_id=enrolment.host_id, held=held, now=running.clock.utc()
        )
    except OrdersRefusedError as error:
        log.warning("%s", error)
        running.remark(str(error))
        return
    running.memory.hold_orders(orders, tag=fetched.tag)
    running.orders = orders


def _failed(running: Running, error: AgentError) -> SyncEnd:
    log.warning("%s", error)
    running.pause = running.pause.after_failure(
        error, now=running.clock.utc(), phase=running.phase("delivery")
    )
    return SyncEnd.FAILED
