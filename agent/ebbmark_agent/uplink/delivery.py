"""Getting the spool's reports to the collector: in order, gently, and past a report it will not take.

1. Reports go oldest first; nothing leaves the spool before the collector says that it has it.
2. A refused report is set aside with the reason. A refused request is halved until the culprit stands alone.
3. Retry-After is obeyed. Failures are spaced ever wider, up to an hour, each host with its own factor, so
   that a thousand agents do not come back at once.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from ebbmark_agent.errors import (
    AgentError,
    AnswerMalformedError,
    CollectorBusyError,
    DeliveryError,
    ReportsRefusedError,
)
from ebbmark_agent.report import MAX_REPORTS_A_REQUEST
from ebbmark_agent.spool import Spool, Waiting
from ebbmark_agent.uplink.http import RETRY_AFTER_MOST_S, Collector

BATCH_BYTES = 4_000_000  # [bytes] of report text a request
BETWEEN_BATCHES_S = 0.5  # [s] left to others between two requests while catching up
FIRST_PAUSE_S = 15.0
LONGEST_PAUSE_S = 3_600.0
CULPRIT_STATUSES = frozenset({400, 413, 415, 422})  # it is the content that is refused, not the agent


@dataclass(frozen=True, kw_only=True)
class Pause:
    """How long the collector is left alone after failures in a row."""

    failures: int = 0
    until: datetime | None = None

    def over(self, now: datetime) -> bool:
        """Say whether it is time to try again.

        A pause that ends further ahead than any pause lasts was made before the clock jumped back.
        """
        if self.until is None:
            return True
        left_s = (self.until - now).total_seconds()
        return left_s <= 0 or left_s > RETRY_AFTER_MOST_S + LONGEST_PAUSE_S

    def after_failure(self, error: AgentError, *, now: datetime, phase: float) -> "Pause":
        """Give the pause after one more failure.

        Args:
            error: What went wrong.
            now: The present instant.
            phase: This host's place among all, 0 to 1 [1].

        Returns:
            A pause of what the collector asked for, else twice the last one; plus up to half by phase.
        """
        asked = error.retry_after_s if isinstance(error, CollectorBusyError) else None
        doubled = min(FIRST_PAUSE_S * 2.0 ** min(self.failures, 16), LONGEST_PAUSE_S)
        pause_s = max(asked, 1.0) if asked is not None else doubled
        spread_s = min(pause_s, LONGEST_PAUSE_S) * 0.5 * phase
        return Pause(failures=self.failures + 1, until=now + timedelta(seconds=pause_s + spread_s))


@dataclass(frozen=True, kw_only=True)
class Delivered:
    """What one round of delivery got done."""

    delivered: int = 0
    refused: int = 0
    error: AgentError | None = None


def deliver(
    spool: Spool,
    collector: Collector,
    *,
    now: Callable[[], datetime],
    wait_s: Callable[[float], bool],
    most_batches: int = 1_000,
) -> Delivered:
    """Deliver what waits, until nothing does, the collector balks or the agent is told to stop.

    Args:
        spool: What waits.
        collector: Where to.
        now: The clock.
        wait_s: Waits that long [s] and says whether the agent is to stop.
        most_batches: How many requests at most [1].

    Returns:
        What was done, with the error that ended it, if one did.
    """
    delivered = refused = 0
    most = MAX_REPORTS_A_REQUEST
    for _ in range(most_batches):
        batch = spool.next_batch(most=most, most_bytes=BATCH_BYTES)
        if not batch:
            break
        try:
            done, set_aside = _hand_in(spool, collector, batch, now())
        except ReportsRefusedError as error:
            if error.status not in CULPRIT_STATUSES:
                return Delivered(delivered=delivered, refused=refused, error=error)
            if len(batch) > 1:
                most = len(batch) // 2
                continue
            spool.settle(delivered=(), refused={batch[0].report_id: error.problem}, now=now())
            done, set_aside = 0, 1
        except (DeliveryError, AnswerMalformedError) as error:
            return Delivered(delivered=delivered, refused=refused, error=error)
        delivered, refused = delivered + done, refused + set_aside
        most = min(most * 2, MAX_REPORTS_A_REQUEST)
        if wait_s(BETWEEN_BATCHES_S):
            break
    return Delivered(delivered=delivered, refused=refused)


def _hand_in(
    spool: Spool, collector: Collector, batch: tuple[Waiting, ...], now: datetime
) -> tuple[int, int]:
    answer = collector.hand_in(batch)
    sent = {one.report_id for one in batch}
    has = sent.intersection((*answer.accepted, *answer.repeated))
    refused = {one.report_id: one.problem for one in answer.refused if one.report_id in sent - has}
    if not has and not refused:
        raise AnswerMalformedError(url="The collector", reason="it names none of the reports sent.")
    spool.settle(delivered=sorted(has), refused=refused, now=now)
    return len(has), len(refused)
