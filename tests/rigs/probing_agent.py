"""An agent's own rounds on a stand-in drive, in a thread, with a clock on which days last a second."""

import subprocess
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from ebbmark_agent.clock import Clock, monotonic_s
from ebbmark_agent.cycle import Running, look_around, probe_if_due
from ebbmark_agent.database import AgentDatabase
from ebbmark_agent.drives import Volume
from ebbmark_agent.health import JsonSmartctl
from ebbmark_agent.memory import Enrolment, Memory
from ebbmark_agent.platforms import this_platform
from ebbmark_agent.report import Orders, ProbeBody, ProbeResult, Report, SubjectOrder
from ebbmark_agent.settings import LimitSettings, Settings
from ebbmark_agent.spool import Spool
from ebbmark_agent.switches import Switches
from ebbmark_agent.takes import TakeSampler

from tests.rigs.loop_drive import LoopDrive

HOST = "host-1"
BEGIN = datetime(2026, 3, 10, 12, tzinfo=UTC)


def fast_clock(*, s_per_s: float) -> Clock:
    """Give clocks of which the wall clock runs faster; durations stay real."""
    begin_s = monotonic_s()
    return Clock(utc=lambda: BEGIN + timedelta(seconds=(monotonic_s() - begin_s) * s_per_s))


def agent_in(folder: Path, *, clock: Clock | None = None, **limits: Any) -> Running:
    """Make an enrolled agent with its state in a folder; limits as given, writes allowed at any hour."""
    stated: dict[str, Any] = {
        "writes_allowed": True,
        "probe_hours": ("00:00-24:00",),
        "allow_unknown_temperature": True,
        "min_free_bytes": 50_000_000,
        "min_free_share": 0.01,
        **limits,
    }
    settings = Settings(state_dir=folder, limits=LimitSettings(**stated))
    database = AgentDatabase(settings.database_path)
    memory = Memory(database)
    memory.enrolled(Enrolment(host_id=HOST, collector_url="http://127.0.0.1:1"))
    clock = clock or Clock()
    platform = this_platform()
    return Running(
        settings=settings,
        platform=platform,
        clock=clock,
        memory=memory,
        spool=Spool(database, limits=settings.spool),
        switches=Switches(folder),
        runner=JsonSmartctl(look_up=False),
        takes=TakeSampler(platform.disk_counters),
        agent_version="0.1.0",
        started_at=clock.utc() - timedelta(days=1),
        started_s=clock.monotonic_s(),
    )


def volume_on(running: Running, mount: Path) -> Volume:
    """Find a mount in the agent's inventory."""
    return next(one for one in running.inventory.volumes if one.mount_point == str(mount))


def give_role(running: Running, mount: Path, **order: Any) -> None:
    """Order probes of the drive at a mount, as a collector would."""
    look_around(running)
    volume = volume_on(running, mount)
    (drive,) = running.inventory.members(volume)
    stated: dict[str, Any] = {
        "drive_names": drive.facts.identity.names(),
        "role": "field-recorder",
        "recorder": True,
        "spot_bytes": 400_000_000,
        "spot_every_s": 3600.0,
        **order,
    }
    now = running.clock.utc()
    running.orders = Orders(
        host_id=HOST,
        issued_at=now - timedelta(hours=1),
        valid_until=now + timedelta(days=3650),
        probing_enabled=True,
        subjects=(SubjectOrder(**stated),),
    )
    running.memory.hold_orders(running.orders, tag=None)


def only_this_machine(running: Running, mount: Path) -> None:
    """Leave nothing but the stand-in drive in the inventory: the machine's own disk belongs to its tests."""
    volume = volume_on(running, mount)
    members = running.inventory.members(volume)
    running.inventory = replace(running.inventory, drives=members, volumes=(volume,))


def probes_kept(running: Running) -> list[ProbeResult]:
    """Give the probes that wait in the spool, oldest first."""
    waiting = running.spool.next_batch(most=100_000, most_bytes=10**9)
    bodies = (Report.model_validate_json(one.body).body for one in waiting if one.kind == "probe")
    return [body.result for body in bodies if isinstance(body, ProbeBody)]


def watch(running: Running) -> None:
    """Let the agent watch its disks for as long as it needs."""
    for _ in range(4):
        running.lookout.look()
        threading.Event().wait(0.1)
    running.lookout.look()


def until_quiet(*drives: LoopDrive, for_s: float = 0.6, within_s: float = 30.0) -> None:
    """Wait until no drive has read or written for a while, since a fresh file system still tidies up.

    Raises:
        TimeoutError: They did not come to rest.
    """
    for drive in drives:
        subprocess.run(["sync", "-f", str(drive.mount)], check=True, timeout=within_s)
    begin_s = since_s = monotonic_s()
    seen = [drive.counters() for drive in drives]
    while monotonic_s() - since_s < for_s:
        if monotonic_s() - begin_s > within_s:
            raise TimeoutError(f"the drives did not come to rest within {within_s:.0f} s: {seen}")
        threading.Event().wait(0.05)
        now = [drive.counters() for drive in drives]
        if now != seen:
            seen, since_s = now, monotonic_s()


def refusals_of(running: Running) -> str:
    """Give why the last probes did not run, in words."""
    return "; ".join(one.sentence for _, refused in running.refused.values() for one in refused)


def probed(running: Running, drive: LoopDrive, *, tries: int = 5) -> ProbeResult:
    """Let a due probe run, looked for again while something else moves on the drive; give what became of it.

    Raises:
        AssertionError: None ran; the text says why not.
    """
    told: list[str] = []
    for _ in range(tries):
        result = probe_if_due(running)
        if result is not None:
            return result
        told.append(refusals_of(running))
        until_quiet(drive)
        watch(running)
    raise AssertionError(f"no probe ran: {told}")


def interrupted(
    running: Running,
    drive: LoopDrive,
    act: Callable[[], None],
    *,
    beside: LoopDrive | None = None,
    after_bytes: int = 50_000_000,
    tries: int = 5,
) -> ProbeResult:
    """Let a due spot run and do something once it has written so much; give what became of the probe.

    A probe that gave way to something else before that (the machine is not ours alone) is tried again.

    Raises:
        AssertionError: No probe came so far; the text says what stopped them.
    """
    drives = [drive] if beside is None else [drive, beside]
    (key, *_) = [one.key for one in running.inventory.drives]
    told: list[str] = []
    for _ in range(tries):
        until_quiet(*drives)
        watch(running)
        before = drive.counters()[1]
        over, acted = threading.Event(), threading.Event()

        def actor(before: int = before, over: threading.Event = over, acted: threading.Event = acted) -> None:
            while drive.counters()[1] - before < after_bytes:
                if over.wait(0.01):
                    return
            acted.set()
            act()

        thread = threading.Thread(target=actor)
        thread.start()
        try:
            result = probe_if_due(running)
        finally:
            over.set()
            thread.join(timeout=60.0)
        assert not thread.is_alive(), "what was to interrupt the probe did not end"
        if acted.is_set() and result is not None:
            return result
        told.append(f"gave way to {result.gave_way_to}" if result is not None else refusals_of(running))
        running.memory.undone(f"spot:{key}")
    raise AssertionError(f"no probe wrote {after_bytes} bytes before it ended: {told}")


class Rounds:
    """Tries to probe all through, and looks at the disks meanwhile, until told to stop."""

    def __init__(self, running: Running, *, look_every_s: float = 0.05) -> None:
        """Take the agent."""
        self._running = running
        self._look_every_s = look_every_s
        self._threads = [threading.Thread(target=self._look), threading.Thread(target=self._probe)]
        self.failures: list[BaseException] = []

    def __enter__(self) -> "Rounds":
        """Begin."""
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Call off what runs and end."""
        self._running.stopping.set()
        for thread in self._threads:
            thread.join()

    def _look(self) -> None:
        while not self._running.stopping.wait(self._look_every_s):
            self._running.lookout.look()

    def _probe(self) -> None:
        try:
            while not self._running.stopping.wait(0.02):
                probe_if_due(self._running)
        except Exception as failure:  # noqa: BLE001 - handed to the test, which asserts that there was none
            self.failures.append(failure)
