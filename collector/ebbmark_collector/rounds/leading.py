"""The scheduler of one process, and who of several leads.

1. However many workers there are, one leads: a lease row, taken over when its holder stops renewing it.
2. Every round is idempotent, so a round cut short or run twice does no harm.
"""

import logging
import secrets
import threading
from collections.abc import Callable
from datetime import datetime
from functools import partial

from apscheduler.schedulers.background import BackgroundScheduler

from ebbmark_collector.clock import Clock
from ebbmark_collector.errors import StoreError
from ebbmark_collector.rounds.fleet import judge_fleet, keep_within_retention, listen_for_silence
from ebbmark_collector.rounds.messages import Post, deliver, gather
from ebbmark_collector.rounds.resting import Rests
from ebbmark_collector.rounds.stepping import Pace
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store, leases, soundness, to_ms

_LOG = logging.getLogger(__name__)
LEASE = "rounds"
LEASE_MS = 6_000  # [ms] a dead leader is followed within this and one renewal
RENEW_S = 2  # [s]
_DRIVES_A_ROUND = 2_000  # [1]


class Rounds:
    """The scheduler of one process; its rounds run only while this process leads.

    Args:
        store: The store.
        clock: The clocks.
        settings: What the operator set.
        post: Who is told.
        waiting: Gives how many requests wait for a thread [1]; judging lets them go first.
    """

    def __init__(
        self,
        store: Store,
        clock: Clock,
        settings: Settings,
        post: Post,
        *,
        waiting: Callable[[], int] = lambda: 0,
    ) -> None:
        self._store, self._clock = store, clock
        self._owner = secrets.token_hex(8)
        self._stopping = threading.Event()
        now_s = clock.monotonic_s

        def pace() -> Pace:
            return Pace(rest=Rests(waiting, now_s, self._stopping), now_s=now_s)

        self.leads = False
        self._scheduler = BackgroundScheduler(
            timezone="UTC",
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        judge = partial(judge_fleet, store, limit=_DRIVES_A_ROUND, pace=pace())
        rounds: tuple[tuple[str, float, Callable[[datetime], object]], ...] = (
            ("judging", 15, judge),
            ("silence", 60, partial(listen_for_silence, store, pace=pace())),
            ("messages", 3, lambda now: (gather(store, post, now), deliver(store, post, now))),
            ("retention", 3_600, partial(keep_within_retention, store, settings=settings, pace=pace())),
            ("soundness", 900, self._look_at_the_file),
        )
        self._scheduler.add_job(self._renew, "interval", seconds=RENEW_S, id="lease")
        for name, seconds, work in rounds:
            self._scheduler.add_job(self._if_leading, "interval", seconds=seconds, id=name, args=(name, work))

    def start(self) -> None:
        """Begin; the lease is asked for at once."""
        self._renew()
        self._scheduler.start()

    def stop(self) -> None:
        """Let running rounds end and give up the lease."""
        self._stopping.set()
        self._scheduler.shutdown(wait=True)
        try:
            self._store.write(lambda tx: leases.give_up(tx, name=LEASE, owner=self._owner))
        except StoreError as error:
            _LOG.warning("the lease could not be given up: %s", error.sentence)

    def _look_at_the_file(self, now: datetime) -> None:
        if soundness.is_due(self._store, now):
            fault = soundness.check(self._store, now, self._stopping)
            if fault is not None:
                _LOG.error("%s", fault)

    def _renew(self) -> None:
        now_ms = to_ms(self._clock.utc())
        try:
            leads = self._store.write(
                lambda tx: leases.take(tx, name=LEASE, owner=self._owner, now_ms=now_ms, for_ms=LEASE_MS)
            )
        except StoreError as error:
            _LOG.warning("the lease could not be renewed: %s", error.sentence)
            leads = False
        if leads is not self.leads:
            _LOG.info("this process %s the rounds", "leads" if leads else "no longer leads")
        self.leads = leads

    def _if_leading(self, name: str, work: Callable[[datetime], object]) -> None:
        if not self.leads:
            return
        try:
            work(self._clock.utc())
        except StoreError as error:
            _LOG.warning("the %s round was cut short: %s", name, error.sentence)
