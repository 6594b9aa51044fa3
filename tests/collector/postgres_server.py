"""A PostgreSQL server of the tests' own: loopback only, in a folder of its own, gone afterwards."""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[4]))


def _as_whom() -> dict[str, int]:
    # The server refuses to run as root.
    if os.geteuid() != 0:
        return {}
    user = pwd.getpwnam("postgres")
    return {"user": user.pw_uid, "group": user.pw_gid}


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(folder: Path, *, durable: bool = False) -> Iterator[str]:
    """Run a server in a folder and give the connection string of its maintenance database.

    Args:
        folder: A folder that user postgres may pass through.
        durable: Whether commits reach the disk; tests can do without.
    """
    programs = PROGRAMS[-1].parent
    data = folder / "data"
    data.mkdir(parents=True)
    who = _as_whom()
    if who:
        shutil.chown(data, who["user"], who["group"])
    initdb = [
        programs / "initdb",
        "-D",
        data,
        "-U",
        "ebbmark",
        "--auth=trust",
        "-E",
        "UTF8",
        "--locale=C.UTF-8",
    ]
    subprocess.run([*initdb, "--no-sync"], check=True, capture_output=True, cwd="/", **who)
    port = _free_port()
    options = [
        "-c",
        "listen_addresses=127.0.0.1",
        "-c",
        "unix_socket_directories=",
        "-c",
        "max_connections=60",
        "-c",
        f"fsync={'on' if durable else 'off'}",
    ]
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(
            [programs / "postgres", "-D", data, "-p", str(port), *options],
            stdout=log,
            stderr=log,
            cwd="/",
            **who,
        )
    dsn = f"host=127.0.0.1 port={port} user=ebbmark dbname=postgres"
    try:
        _until_it_answers(dsn, server)
        yield dsn
    finally:
        server.send_signal(signal.SIGQUIT)  # immediate: nothing of it is kept
        server.wait(timeout=30)


def _until_it_answers(dsn: str, server: "subprocess.Popen[bytes]") -> None:
    for _ in range(600):
        try:
            psycopg.connect(dsn, connect_timeout=5).close()
            return
        except psycopg.OperationalError:
            assert server.poll() is None, "the PostgreSQL server ended by itself"
            with_pause(0.1)
    raise AssertionError("the PostgreSQL server did not answer within a minute")


def with_pause(seconds: float) -> None:
    """Let some time pass."""
    threading.Event().wait(seconds)
