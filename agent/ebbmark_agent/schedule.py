"""Runs the agent's jobs for months: no job late for good, none doubled, a quiet end on SIGTERM.

1. Jobs live in memory; when things were last done is remembered elsewhere, so a restart repeats nothing.
2. A late job runs once, however late: no misfire limit, coalesced, never beside itself.
3. Each host has its own phase in every period, from its machine key, so a thousand agents that start at once
   come one after the other. There is no jitter, which would add up.
4. A clock that jumped, or a machine that slept, shows as wall clock and monotonic clock drifting apart; all
   jobs are then looked at at once. Looking twice does no harm: each asks whether it is due.
"""

import logging
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from apscheduler.events import (
    EVENT_JOB_ERROR,
    EVENT_JOB_MISSED,
    EVENT_SCHEDULER_STARTED,
    JobExecutionEvent,
)
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.blocking import BlockingScheduler
from apscheduler.triggers.interval import IntervalTrigger

from ebbmark_agent.clock import Clock
from ebbmark_agent.consent.cadence import FIRST_WITHIN_S
from ebbmark_agent.cycle import (
    Running,
    clear_leftovers,
    end_takes,
    keep_takes,
    look_around,
    probe_if_due,
    read_due_health,
    say_status,
    sync,
)
from ebbmark_agent.errors import AgentError
from ebbmark_agent.sd_notify import ServiceManager

log = logging.getLogger(__name__)

LOOK_EVERY_S = 60.0
HEALTH_EVERY_S = 300.0
PROBE_EVERY_S = 60.0
FORGET_EVERY_S = 86_400.0
TALK_EVERY_S = 300.0  # [s] until orders say otherwise
LEAST_TALK_S = 10.0  # [s] orders cannot make an agent talk more often
TICK_EVERY_S = 10.0
TICK = "tick"  # a job that only shows that jobs are run
JUMP_S = 5.0  # [s] wall clock and monotonic clock drift this far apart only by a jump or a sleep


@dataclass(frozen=True, kw_only=True)
class Recurring:
    """One job and its period [s]."""

    name: str
    every_s: float
    work: Callable[[], object]


class JumpWatch:
    """Tells when the wall clock jumped against the monotonic one."""

    def __init__(self, clock: Clock) -> None:
        """Take the clocks."""
        self._clock = clock
        self._offset_s = self._read()

    def jumped_s(self) -> float | None:
        """Give by how much the wall clock jumped since the last call [s], or None if it did not."""
        offset_s = self._read()
        jump_s = offset_s - self._offset_s
        self._offset_s = offset_s
        return jump_s if abs(jump_s) >= JUMP_S else None

    def _read(self) -> float:
        return self._clock.utc().timestamp() - self._clock.monotonic_s()


def jobs_of(running: Running) -> tuple[Recurring, ...]:
    """Give an agent's jobs.

    Args:
        running: The agent.
    """

    def talk() -> None:
        say_status(running)
        sync(running)

    return (
        Recurring(name="look", every_s=LOOK_EVERY_S, work=lambda: look_around(running)),
        Recurring(name="health", every_s=HEALTH_EVERY_S, work=lambda: read_due_health(running)),
        Recurring(name="talk", every_s=TALK_EVERY_S, work=talk),
        Recurring(name="probe", every_s=PROBE_EVERY_S, work=lambda: probe_if_due(running)),
        Recurring(
            name="forget",
            every_s=FORGET_EVERY_S,
            work=lambda: running.memory.forget(now=running.clock.utc()),
        ),
    )


class Service:
    """The running agent as a service."""

    def __init__(self, running: Running, *, manager: ServiceManager) -> None:
        """Take the agent and its service manager."""
        self._running = running
        self._manager = manager
        self._jump = JumpWatch(running.clock)
        self._talk_every_s = TALK_EVERY_S
        self._told_s = 0.0
        self._ticked = threading.Event()
        # By when a job that a jump of the clock put off must run [s, monotonic], however often it jumps.
        self._run_by_s: dict[str, float] = {}
        self.scheduler = BlockingScheduler(
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(6)},
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self.scheduler.add_listener(self._went_wrong, EVENT_JOB_ERROR | EVENT_JOB_MISSED)
        now = running.clock.utc()
        for job in jobs_of(running):
            self.scheduler.add_job(
                self._guarded(job),
                IntervalTrigger(seconds=job.every_s, timezone=UTC),
                id=job.name,
                next_run_time=first_run(now, every_s=job.every_s, phase=running.phase(job.name)),
            )

        every_s = min(TICK_EVERY_S, (manager.watchdog_s or 60.0) / 6)
        self.scheduler.add_job(
            self._ticked.set,
            IntervalTrigger(seconds=max(1, round(every_s)), timezone=UTC),
            id=TICK,
            next_run_time=now,
        )

    def run(self) -> None:
        """Run until SIGTERM or SIGINT; then the running probe is called off and tidies up."""
        look_around(self._running)
        clear_leftovers(self._running)
        lookout = threading.Thread(target=self._keep_looking, name="lookout")
        ending = threading.Thread(target=self._end_when_told, name="ending")
        # Only a scheduler that has started can be shut down.
        self.scheduler.add_listener(lambda _event: ending.start(), EVENT_SCHEDULER_STARTED)
        for one in (signal.SIGTERM, signal.SIGINT):
            signal.signal(one, self._told_to_stop)
        lookout.start()
        self._manager.tell("READY=1", "STATUS=looking after the drives")
        try:
            self.scheduler.start()
        finally:
            self._running.stopping.set()
            lookout.join()
            ending.join()
            end_takes(self._running)

    def _told_to_stop(self, _number: int, _frame: object) -> None:
        self._running.stopping.set()

    def _end_when_told(self) -> None:
        self._running.stopping.wait()
        self._manager.tell("STOPPING=1")
        self.scheduler.shutdown(wait=True)

    def _keep_looking(self) -> None:
        """Once a second: the disks, the takes, the clocks, the watchdog."""
        while not self._running.stopping.wait(1.0):
            try:
                self._running.lookout.look()
                keep_takes(self._running)
                self._mind_the_clock()
                self._mind_the_orders()
                self._sign_of_life()
            except AgentError as error:
                log.warning("%s", error)
                self._running.remark(str(error))
            except Exception as error:
                # This thread must not die: without it no disk counts as watched and no probe may run.
                log.exception("A look at the machine failed.")
                self._running.remark(f"A look at the machine failed: {error!r}."[:500])

    def _sign_of_life(self) -> None:
        """Tell the service manager that the agent lives: this thread looks, and the scheduler ran a job."""
        now_s = self._running.clock.monotonic_s()
        if self._manager.watchdog_s is None or now_s - self._told_s < self._manager.watchdog_s / 3:
            return
        if self._ticked.is_set():
            self._ticked.clear()
            self._told_s = now_s
            self._manager.tell("WATCHDOG=1")

    def _mind_the_clock(self) -> None:
        jump_s = self._jump.jumped_s()
        if jump_s is None:
            return
        log.info("The clock jumped by %.0f s, or the machine slept; every job is looked at now.", jump_s)
        now, now_s = self._running.clock.utc(), self._running.clock.monotonic_s()
        for job in self.scheduler.get_jobs():
            # A fleet that wakes together still comes one after the other, within a minute.
            put_off_s = 0.0 if job.id == TICK else min(60.0, LOOK_EVERY_S) * self._running.phase(job.id)
            run_by_s = self._run_by_s.setdefault(job.id, now_s + put_off_s) if put_off_s else now_s
            job.modify(next_run_time=now + timedelta(seconds=max(0.0, run_by_s - now_s)))

    def _mind_the_orders(self) -> None:
        orders = self._running.orders
        every_s = max(LEAST_TALK_S, orders.report_every_s) if orders else TALK_EVERY_S
        if every_s != self._talk_every_s:
            self._talk_every_s = every_s
            self.scheduler.reschedule_job("talk", trigger=IntervalTrigger(seconds=every_s, timezone=UTC))

    def _guarded(self, job: Recurring) -> Callable[[], None]:
        def work() -> None:
            if self._running.stopping.is_set():
                return
            self._run_by_s.pop(job.name, None)
            try:
                job.work()
            except AgentError as error:
                log.warning("%s", error)
                self._running.remark(str(error))

        return work

    def _went_wrong(self, event: JobExecutionEvent) -> None:
        """A fault of our own: the job is tried again at its next time, and the collector hears of it."""
        sentence = f"The job {event.job_id} failed: {event.exception!r}."
        log.error("%s\n%s", sentence, getattr(event, "traceback", "") or "")
        self._running.remark(sentence[:500])


def first_run(now: datetime, *, every_s: float, phase: float) -> datetime:
    """Give when a job first runs after a start: within its period, at most five minutes, by phase.

    Args:
        now: The present instant.
        every_s: The job's period [s].
        phase: This host's place among all [1].
    """
    return now + timedelta(seconds=min(every_s, TALK_EVERY_S) * phase)


def one_round(running: Running) -> None:
    """Do everything once, now: look, read health, talk, probe what is due and may be probed, talk again.

    Args:
        running: The agent.

    Raises:
        NotEnrolledError: This machine has no collector.
    """
    # Nobody else is to be spared here: what was never done is due at once.
    running.started_at -= timedelta(seconds=FIRST_WITHIN_S)
    look_around(running)
    clear_leftovers(running)
    running.lookout.look()
    read_due_health(running)
    # Twice: what the collector orders may follow from what it has just been told.
    sync(running)
    sync(running)
    quiet = threading.Event()
    deadline_s = running.clock.monotonic_s() + running.settings.limits.quiet_s + 1.0
    while running.clock.monotonic_s() < deadline_s and not running.stopping.is_set():
        quiet.wait(1.0)
        running.lookout.look()
    probe_if_due(running)
    say_status(running)
    sync(running)
