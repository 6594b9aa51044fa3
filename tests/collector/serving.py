"""The real collector as a process of its own, on a free port, with a data folder of the test's."""

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import requests

_ADDRESS = re.compile(r"listening on (https?://\S+)")
_TOKEN = re.compile(r"admin token: (\S+)")


@dataclass
class Served:
    """A running collector."""

    process: "subprocess.Popen[str]"
    url: str
    first_lines: list[str]
    admin_token: str | None

    def as_admin(self, token: str) -> dict[str, str]:
        """Give the header of a token."""
        return {"Authorization": f"Bearer {token}"}

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        """Send a signal and give the exit code."""
        self.process.send_signal(how)
        return self.process.wait(timeout=40)


def start(data: Path, *more: str, env: dict[str, str] | None = None) -> Served:
    """Start a collector and wait until it listens."""
    command = [
        sys.executable,
        "-m",
        "ebbmark_collector.cli",
        "serve",
        "--data",
        str(data),
        "--listen",
        "127.0.0.1:0",
    ]
    with (data.parent / f"{data.name}.log").open("ab") as log:
        process = subprocess.Popen([*command, *more], stdout=subprocess.PIPE, stderr=log, text=True, env=env)
    lines: list[str] = []
    assert process.stdout is not None
    for line in process.stdout:
        lines.append(line.rstrip("\n"))
        found = _ADDRESS.match(line)
        if found:
            token = next((m.group(1) for text in lines if (m := _TOKEN.match(text))), None)
            return Served(process=process, url=found.group(1), first_lines=lines, admin_token=token)
    raise AssertionError(
        f"the collector ended with {process.wait()}: {(data.parent / f'{data.name}.log').read_text()}"
    )


@contextmanager
def serving(data: Path, *more: str) -> Iterator[Served]:
    """A collector for as long as the block lasts."""
    served = start(data, *more)
    try:
        yield served
    finally:
        if served.process.poll() is None:
            served.process.kill()
        served.process.wait(timeout=20)
        assert served.process.stdout is not None
        served.process.stdout.close()


def enrol(
    served: Served, token: str, *, name: str = "cut-1", machine_key: str = "mk-12345678"
) -> tuple[str, str]:
    """Enrol a machine over HTTP; give its host id and its agent token."""
    made = requests.post(
        f"{served.url}/v1/enrol-tokens",
        json={"label": "test", "quota": 10, "expires_at": _soon()},
        headers=served.as_admin(token),
        timeout=10,
    )
    made.raise_for_status()
    claim = {
        "enrol_token": made.json()["token"],
        "host_name": name,
        "system": "Linux",
        "machine_key": machine_key,
    }
    claimed = requests.post(f"{served.url}/v1/enrolments/claim", json=claim, timeout=10)
    claimed.raise_for_status()
    return claimed.json()["host_id"], claimed.json()["agent_token"]


def _soon() -> str:
    from datetime import UTC, datetime, timedelta

    return (datetime.now(UTC) + timedelta(hours=1)).isoformat()
