"""Intake on PostgreSQL with one, two and four workers on one database, every commit on the disk."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import Any

import psutil
from ebbmark_collector.store.postgres import PostgresStore

from tests.bench import serving
from tests.bench.load import Load, play_apart
from tests.bench.results import result
from tests.bench.scale import SCALE
from tests.bench.simulated import SimulatedHost, invent_hosts
from tests.collector import postgres_server

COMMAND = "make bench ONLY=postgres"
WORKERS = (1, 2, 4)
BATCH = 50  # [1] reports a request
BUSY = 0.9  # [1] of both cores: more is all that there is


def run() -> list[dict[str, Any]]:
    """Measure each number of workers."""
    if not postgres_server.PROGRAMS:
        raise RuntimeError("PostgreSQL's server programs are not installed: apt-get install postgresql")
    found = []
    with _server() as dsn, serving.folder() as place:
        config = place / "collector.toml"
        config.write_text(f'[store]\npostgresql = "{dsn}"\npool = 10\n')
        machines = _enrolled(dsn)
        for workers in WORKERS:
            found += _with(workers, place, config, machines)
    return found


@contextmanager
def _server() -> Iterator[str]:
    folder = Path(tempfile.mkdtemp(prefix="ebbmark-pg-", dir=os.environ.get("BENCH_FOLDER", "/var/tmp")))
    folder.chmod(0o755)
    try:
        with postgres_server.running(folder, durable=True) as dsn:
            yield dsn
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _enrolled(dsn: str) -> list[SimulatedHost]:
    store = PostgresStore(dsn, pool=2)
    try:
        return serving.furnish(store, invent_hosts(64, 2), datetime.now(UTC))
    finally:
        store.close()


def _with(workers: int, place: Path, config: Path, machines: list[SimulatedHost]) -> list[dict[str, Any]]:
    rates: dict[int, list[float]] = {1: [], BATCH: []}
    shares: dict[int, list[tuple[float, float]]] = {1: [], BATCH: []}
    python: list[float] = []
    with ExitStack() as stack:
        running = [
            stack.enter_context(serving.collector(place / f"w{workers}-{number}", "--config", str(config)))
            for number in range(workers)
        ]
        loads = [
            Load(
                address=address,
                machines=tuple(machines[number::workers]),
                seconds=SCALE.seconds,
                connections=max(4, 16 // workers),
            )
            for number, (_, address) in enumerate(running)
        ]
        for turn in range(SCALE.runs):
            for reports, found in rates.items():
                hour = (workers * 100 + turn * 2 + (reports > 1)) * 1_000_000
                before, clock = sum(_cpu_s(process.pid) for process, _ in running), psutil.cpu_times()
                found.append(_together([replace(one, reports=reports, first_hour=hour) for one in loads]))
                spent = sum(_cpu_s(process.pid) for process, _ in running) - before
                shares[reports].append(_busy_and_waiting(clock, psutil.cpu_times()))
                if reports == BATCH:
                    python.append(spent / (SCALE.seconds * (os.cpu_count() or 1)))
    return [
        result(
            f"postgres.workers_{workers}_one_a_request",
            rates[1],
            unit="reports/s",
            bar=None,
            command=COMMAND,
            note=_limited_by(workers, shares[1]),
        ),
        result(
            f"postgres.workers_{workers}_fifty_a_request",
            rates[BATCH],
            unit="reports/s",
            bar=None,
            command=COMMAND,
            note=_limited_by(workers, shares[BATCH]),
        ),
        result(
            f"postgres.workers_{workers}_share_of_cores",
            python,
            unit="ratio",
            bar=None,
            command=COMMAND,
            note="of both cores, used by the workers themselves during the fifties",
        ),
    ]


def _busy_and_waiting(before: Any, after: Any) -> tuple[float, float]:
    """Give the shares of both cores' time that went into work, and into waiting for the disk [1]."""
    spent = {name: getattr(after, name) - getattr(before, name) for name in after._fields}
    # A guest's time is counted within the user's.
    whole = sum(s for name, s in spent.items() if not name.startswith("guest"))
    return (whole - spent["idle"] - spent["iowait"]) / whole, spent["iowait"] / whole


def _limited_by(workers: int, shares: list[tuple[float, float]]) -> str:
    """Say what held the rate, as the machine's own times tell."""
    busy, waiting = (median(share[place] for share in shares) for place in (0, 1))
    if busy >= BUSY:
        limit = "the cores are the limit"
    elif waiting > 1 - busy - waiting:
        limit = "commits that wait for the disk are the limit"
    else:
        limit = "what is left is spent waiting for one another, in and between the processes"
    return (
        f"{workers} server processes, one PostgreSQL (fsync on), as many clients, all on two cores, "
        f"busy for {busy:.0%} of the time and waiting for the disk for {waiting:.0%}; {limit}"
    )


def _cpu_s(pid: int) -> float:
    times = psutil.Process(pid).cpu_times()
    return times.user + times.system


def _together(loads: list[Load]) -> float:
    with ThreadPoolExecutor(len(loads)) as pool:
        tallies = list(pool.map(play_apart, loads))
    return sum(tally.reports / tally.took_s for tally in tallies)
