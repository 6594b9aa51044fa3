"""What an enrolled agent costs while nothing happens: its resident memory and its share of a core.

Watched for two minutes in five slices after its first rounds; `BENCH_IDLE_S=3600` watches a whole
hour. What comes once an hour (health and its delivery) is measured apart, as a whole `run --one-round` with
its start, and its share of an hour is added, so that a short watch does not leave it out.
"""

import os
import re
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import Any

import psutil

from tests.bench import serving
from tests.bench.results import result
from tests.bench.scale import SCALE

COMMAND = "make bench ONLY=agent_idle"
# Libraries take numpy in where they find it. It is here for the tests; the plain package installs without it.
_START = "import sys; sys.modules['numpy'] = None; from ebbmark_agent.cli import main; main()"
AGENT = [sys.executable, "-c", _START]
SETTLE_S = 20.0  # [s] for the first rounds


def run() -> list[dict[str, Any]]:
    """Measure an agent that is enrolled at a collector of its own."""
    span_s = float(os.environ.get("BENCH_IDLE_S", SCALE.idle_s))
    with serving.folder() as place:
        data = place / "data"
        with serving.collector(data) as (_, (host, port)):
            settings = _enrolled(place, data, f"http://{host}:{port}")
            hourly_s = _spent(settings, "run", "--one-round")
            with _running(settings, place) as process:
                memory, shares = _watch(process, span_s / SCALE.runs)
    watched = f"{SCALE.runs} slices of {span_s / SCALE.runs:.0f} s"
    whole = [share + hourly_s / 3600 * 100 for share in shares]
    return [
        result(
            "agent_idle.memory",
            memory,
            unit="MB",
            bar="<= 70",
            command=COMMAND,
            note=f"resident, with its children, without numpy as the plain package installs; {watched}",
        ),
        result(
            "agent_idle.cpu",
            whole,
            unit="% of a core",
            bar="<= 0.1",
            command=COMMAND,
            note=f"{watched}, plus {hourly_s:.2f} s of processor time for a round and its start once an hour",
        ),
    ]


def _enrolled(place: Path, data: Path, url: str) -> Path:
    token = subprocess.run(
        [sys.executable, "-m", "ebbmark_collector.cli", "enrol-token", "--data", str(data)],
        check=True,
        capture_output=True,
        text=True,
    )
    found = re.search(r"enrol token: (\S+)", token.stdout)
    assert found is not None, token.stdout
    settings = place / "agent.toml"
    settings.write_text(f'state_dir = "{place / "state"}"\n[collector]\nurl = "{url}"\n')
    enrolled = subprocess.run(
        [*AGENT, "--settings", str(settings), "enrol"],
        check=False,
        env={**_environment(), "EBBMARK_TOKEN": found.group(1)},
        capture_output=True,
        text=True,
    )
    assert enrolled.returncode == 0, enrolled.stderr
    return settings


def _environment() -> dict[str, str]:
    # The agent takes any EBBMARK_ variable for a setting of its own.
    return {name: value for name, value in os.environ.items() if not name.startswith("EBBMARK_")}


def _spent(settings: Path, *arguments: str) -> float:
    """Give the processor time of a command with its children [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [*AGENT, "--settings", str(settings), *arguments]
    subprocess.run(command, check=True, capture_output=True, env=_environment())
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@contextmanager
def _running(settings: Path, place: Path) -> Iterator[psutil.Process]:
    with (place / "agent.log").open("wb") as log:
        process = subprocess.Popen(
            [*AGENT, "--settings", str(settings), "run"],
            stdout=log,
            stderr=subprocess.STDOUT,
            env=_environment(),
        )
    try:
        yield psutil.Process(process.pid)
        assert process.poll() is None, (place / "agent.log").read_text()[-2000:]
    finally:
        process.terminate()
        process.wait(timeout=30)


def _watch(process: psutil.Process, slice_s: float) -> tuple[list[float], list[float]]:
    nobody = Event()  # never set: its wait lets time pass
    nobody.wait(SETTLE_S)
    memory, shares = [], []
    for _ in range(SCALE.runs):
        began_s, before_s = time.monotonic(), _cpu_s(process)
        nobody.wait(slice_s)
        shares.append((_cpu_s(process) - before_s) / (time.monotonic() - began_s) * 100)
        family = [process, *process.children(recursive=True)]
        memory.append(sum(one.memory_info().rss for one in family) / 1e6)
    return memory, shares


def _cpu_s(process: psutil.Process) -> float:
    """Give what a process and the children it has outlived took; its own by its clock in nanoseconds.

    The counters of the process table go by ticks of 10 ms, and an idle agent takes one or two in a slice.
    Source: clock_getcpuclockid(3), whose number for a process this is.
    """
    times = process.cpu_times()
    own_s = time.clock_gettime((~process.pid << 3) | 2)
    return own_s + float(times.children_user + times.children_system)
