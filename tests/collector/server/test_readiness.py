"""What the collector tells a service manager, over the socket that sd_notify(3) describes."""

import os
import signal
import socket
from pathlib import Path

from ebbmark_collector.sd_notify import ServiceManager

from tests.collector.serving import start


def _listener(path: Path) -> socket.socket:
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listening.bind(str(path))
    listening.settimeout(20)
    return listening


def test_a_served_collector_says_ready_alive_and_stopping(tmp_path: Path) -> None:
    """The real server reports READY, then signs of life within the watchdog's deadline, then STOPPING."""
    with _listener(tmp_path / "notify") as manager:
        env = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "900000"}
        served = start(tmp_path / "data", env=env)
        try:
            heard = [manager.recv(4096).decode() for _ in range(4)]
            code = served.end(signal.SIGTERM)
            while "STOPPING=1" not in heard[-1]:
                heard.append(manager.recv(4096).decode())
        finally:
            served.process.kill()
            assert served.process.stdout is not None
            served.process.stdout.close()

    assert heard[0].startswith("READY=1")
    assert heard[1:4] == ["WATCHDOG=1"] * 3
    assert code == 0


def test_nobody_is_told_where_nobody_listens() -> None:
    """Without a service manager nothing is sent and nothing fails."""
    manager = ServiceManager({})

    manager.sign_of_life(100.0)

    assert not manager.tell("READY=1")


def test_a_service_manager_that_went_away_does_no_harm(tmp_path: Path) -> None:
    """A socket that is gone is passed over."""
    assert not ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "gone")}).tell("READY=1")


def test_signs_of_life_come_three_to_a_deadline(tmp_path: Path) -> None:
    """With a deadline of 30 s a sign goes out at the first look and then every ten seconds."""
    with _listener(tmp_path / "notify") as listening:
        listening.setblocking(False)
        manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "30000000"})
        told_at = []
        for now_s in range(35):
            manager.sign_of_life(float(now_s))
            try:
                listening.recv(4096)
            except BlockingIOError:
                continue
            told_at.append(now_s)

    assert told_at == [0, 10, 20, 30]
