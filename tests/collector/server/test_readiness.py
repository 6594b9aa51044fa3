"""What the collector tells a service manager, over the socket that sd_notify(3) describes."""

import contextlib
import os
import signal
import socket
import threading
from pathlib import Path
from time import monotonic

import requests
from ebbmark_collector.own_door import OwnDoor
from ebbmark_collector.sd_notify import ServiceManager
from ebbmark_collector.server import Server
from ebbmark_collector.settings import ServeSettings
from flask import Flask

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
    OwnDoor("127.0.0.1", 1).watch(ServiceManager({}), threading.Event())

    assert not ServiceManager({}).tell("READY=1")


def test_a_service_manager_that_went_away_does_no_harm(tmp_path: Path) -> None:
    """A socket that is gone is passed over."""
    assert not ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "gone")}).tell("READY=1")


def _hanging_app(hung: threading.Event, go_on: threading.Event) -> Flask:
    app = Flask("hanging")

    @app.get("/live")
    def live() -> str:
        return "yes"

    @app.get("/hang")
    def hang() -> str:
        hung.set()
        assert go_on.wait(60)
        return "at last"

    return app


def test_no_thread_to_answer_is_no_sign_of_life(tmp_path: Path) -> None:
    """While every thread hangs the service manager hears nothing, though the process runs; then again."""
    hung, go_on = threading.Event(), threading.Event()
    environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "600000"}
    with _listener(tmp_path / "notify") as listening:
        server = Server(_hanging_app(hung, go_on), ServeSettings(listen="127.0.0.1:0", threads=1))
        running = threading.Thread(
            target=server.run, kwargs={"now_s": monotonic, "manager": ServiceManager(environment)}
        )
        running.start()
        try:
            before = [listening.recv(4096).decode() for _ in range(3)]
            url = "http://{}:{}".format(*server.addresses[0])
            caller = threading.Thread(target=requests.get, args=(f"{url}/hang",), kwargs={"timeout": 90})
            caller.start()
            assert hung.wait(30)
            with contextlib.suppress(BlockingIOError):  # what was said before
                listening.setblocking(False)
                while True:
                    listening.recv(4096)
            listening.settimeout(1.8)  # three deadlines; one sign may have been under way
            heard = 0
            with contextlib.suppress(TimeoutError):
                while heard < 3:
                    listening.recv(4096)
                    heard += 1
            go_on.set()
            listening.settimeout(30)
            after = listening.recv(4096).decode()
            caller.join(timeout=30)
        finally:
            go_on.set()
            server.stop()
            running.join(timeout=60)

    assert before[0].startswith("READY=1")
    assert before[1:] == ["WATCHDOG=1"] * 2
    assert heard <= 1
    assert after == "WATCHDOG=1"
    assert not running.is_alive()
