"""Going on for months: phases, jumps of the clock, signals, the service manager."""

import os
import signal
import socket
import subprocess
import sys
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ebbmark_agent.clock import Clock
from ebbmark_agent.consent import due_at, phase_of
from ebbmark_agent.schedule import JumpWatch, Service, first_run
from ebbmark_agent.sd_notify import ServiceManager
from ebbmark_agent.uplink import write_token

from tests.agent.standin_collector import TOKEN, standing_in
from tests.rigs.probing_agent import agent_in

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
DAY_S = 86_400.0


def test_a_thousand_hosts_come_one_after_the_other() -> None:
    """The first talks of 1,000 hosts that start at once spread over five minutes without a crowd."""
    starts = [first_run(NOW, every_s=300.0, phase=phase_of(f"host-{n}/talk")) for n in range(1000)]
    per_ten_seconds = Counter(int((start - NOW).total_seconds() // 10) for start in starts)

    assert set(per_ten_seconds) == set(range(30))
    # 33 on average; the 99.9th percentile of a Poisson count of 33.3 is 52, with 30 bins some room on top.
    assert max(per_ten_seconds.values()) <= 60


def test_what_was_never_done_is_due_within_a_quarter_of_an_hour() -> None:
    """The first probe of each host comes by its phase, within 900 s of the start."""
    for phase in (0.0, 0.5, 0.999):
        due = due_at(None, every_s=DAY_S, now=NOW, started_at=NOW, phase=phase)
        assert due == NOW + timedelta(seconds=900 * phase)


def test_cadence_counts_from_the_last_time() -> None:
    """A daily thing is due a day after it was done, whatever the clocks did at night."""
    assert due_at(NOW - timedelta(hours=23), every_s=DAY_S, now=NOW, started_at=NOW, phase=0.3) == (
        NOW + timedelta(hours=1)
    )


@pytest.mark.parametrize("jump_days", [-400, -1, 1, 400])
def test_a_jumping_clock_neither_starves_nor_doubles(jump_days: int) -> None:
    """After a jump and back, a daily thing happens at most once more, and again within a day."""
    last: datetime | None = NOW
    jumped = NOW + timedelta(days=jump_days)
    done = 0
    for now in [jumped + timedelta(hours=hour) for hour in range(3)] + [
        NOW + timedelta(hours=3 + hour) for hour in range(26)
    ]:
        if due_at(last, every_s=DAY_S, now=now, started_at=NOW, phase=0.0) <= now:
            done, last = done + 1, now
    assert done <= 2
    # In the 26 hours after the clock came right again it was done, or is due within a day of now.
    assert last is not None
    assert due_at(last, every_s=DAY_S, now=NOW + timedelta(hours=29), started_at=NOW, phase=0.0) <= (
        NOW + timedelta(hours=29 + 24)
    )


def test_jumps_are_noticed_and_drift_is_not() -> None:
    """A wall clock that jumps or a machine that slept is noticed once; a slow drift is not."""
    wall, mono = [NOW], [0.0]
    jumps = JumpWatch(Clock(utc=lambda: wall[0], monotonic_s=lambda: mono[0]))

    def later(wall_s: float, mono_s: float) -> float | None:
        wall[0] += timedelta(seconds=wall_s)
        mono[0] += mono_s
        return jumps.jumped_s()

    assert later(1.0, 1.0) is None
    assert later(1.4, 1.0) is None
    assert later(3600.0, 1.0) == pytest.approx(3599.0)
    assert later(1.0, 1.0) is None
    assert later(-3600.0, 1.0) == pytest.approx(-3601.0)


def test_a_jump_makes_every_job_look_within_a_minute(tmp_path: Path) -> None:
    """After the clock jumped back by a day no job waits that day: each is looked at within a minute."""
    now = [NOW]
    running = agent_in(tmp_path, clock=Clock(utc=lambda: now[0]))
    service = Service(running, manager=ServiceManager({}))
    now[0] -= timedelta(days=1)
    service._mind_the_clock()

    jobs = service.scheduler.get_jobs()
    assert {job.id for job in jobs} == {"look", "health", "talk", "probe", "forget", "tick"}
    assert all(timedelta(0) <= job.next_run_time - now[0] <= timedelta(minutes=1) for job in jobs)


def test_a_clock_that_jumps_all_the_time_starves_no_job(tmp_path: Path) -> None:
    """A clock that jumps every twenty seconds puts a job off once, not again and again."""
    wall, mono = [NOW], [0.0]
    running = agent_in(tmp_path, clock=Clock(utc=lambda: wall[0], monotonic_s=lambda: mono[0]))
    service = Service(running, manager=ServiceManager({}))
    for jump_hours in (-5, 7, -3, 9):
        wall[0] += timedelta(hours=jump_hours, seconds=20)
        mono[0] += 20.0
        service._mind_the_clock()

    assert all(job.next_run_time <= wall[0] for job in service.scheduler.get_jobs())


def test_no_job_is_ever_given_up_as_late(tmp_path: Path) -> None:
    """Every job runs however late it is, once, and never beside itself."""
    service = Service(agent_in(tmp_path), manager=ServiceManager({}))

    assert service.scheduler._job_defaults["misfire_grace_time"] is None
    assert service.scheduler._job_defaults["coalesce"] is True
    assert service.scheduler._job_defaults["max_instances"] == 1


def test_the_service_manager_hears_readiness_and_watchdog(tmp_path: Path) -> None:
    """Assignments arrive as one datagram on the socket named, also in the abstract namespace."""
    for address, bound in ((str(tmp_path / "notify"), str(tmp_path / "notify")), ("@ebb-test", "\0ebb-test")):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
            listener.bind(bound)
            manager = ServiceManager({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "30000000"})

            assert manager.tell("READY=1", "STATUS=x")
            assert listener.recv(200) == b"READY=1\nSTATUS=x"
            assert manager.watchdog_s == 30.0


def test_a_scheduler_that_runs_nothing_gives_no_sign_of_life(tmp_path: Path) -> None:
    """The looks alone are no sign of life: one goes out for each time the scheduler ran a job as well."""
    mono = [1000.0]
    running = agent_in(tmp_path, clock=Clock(utc=lambda: NOW, monotonic_s=lambda: mono[0]))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(tmp_path / "notify"))
        listener.setblocking(False)
        manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "30000000"})
        service = Service(running, manager=manager)
        tick = next(job for job in service.scheduler.get_jobs() if job.id == "tick")
        heard = []
        for ran in (True, False, False, True):
            if ran:
                tick.func()
            mono[0] += 11.0
            service._sign_of_life()
            try:
                heard.append(listener.recv(200) == b"WATCHDOG=1")
            except BlockingIOError:
                heard.append(False)

    assert heard == [True, False, False, True]


def test_without_a_service_manager_nothing_is_told() -> None:
    """A process started by hand tells nobody, and a manager that went away does no harm."""
    assert not ServiceManager({}).tell("READY=1")
    assert not ServiceManager({"NOTIFY_SOCKET": "/nonexistent/socket"}).tell("READY=1")


def test_the_service_runs_and_ends_on_sigterm(tmp_path: Path) -> None:
    """`run` says it is ready, and ends by itself with 0 soon after SIGTERM."""
    agent = agent_in(tmp_path)
    write_token(agent.settings.token_path, TOKEN)
    agent.memory._database.close()
    with standing_in() as stand_in, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(tmp_path / "notify"))
        listener.settimeout(30)
        service = subprocess.Popen(
            [sys.executable, "-c", "from ebbmark_agent.cli import main; main()", "run"],
            env={
                **os.environ,
                "EBBMARK_STATE_DIR": str(tmp_path),
                "EBBMARK_COLLECTOR_URL": stand_in.url,
                "NOTIFY_SOCKET": str(tmp_path / "notify"),
                "WATCHDOG_USEC": "3000000",
            },
            stderr=subprocess.PIPE,
        )
        told = [listener.recv(200), listener.recv(200)]
        service.send_signal(signal.SIGTERM)
        stopping = listener.recv(200)
        while stopping == b"WATCHDOG=1":
            stopping = listener.recv(200)
        _, log = service.communicate(timeout=30)

    assert told[0].startswith(b"READY=1")
    assert told[1] == b"WATCHDOG=1"
    assert stopping == b"STOPPING=1"
    assert service.returncode == 0, log
    assert b"Traceback" not in log
