"""Servers to be measured: the real collector on a prepared store, or the empty one, each its own process."""

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from ebbmark_collector.http import auth
from ebbmark_collector.http.operation import Scope
from ebbmark_collector.intake import accept_many
from ebbmark_collector.store import Store, Tx, hosts, rules
from ebbmark_collector.store.opening import DATABASE
from ebbmark_collector.store.sqlite import SqliteStore

from tests.bench.simulated import SimulatedHost, health, inventory, soak

ROLE = "field-recorder"


@contextmanager
def folder() -> Iterator[Path]:
    """A folder on a real disk, for what must be durable."""
    with tempfile.TemporaryDirectory(
        prefix="ebbmark-bench-", dir=os.environ.get("BENCH_FOLDER", "/var/tmp")
    ) as name:
        yield Path(name)


def enrol(store: Store, machines: Sequence[SimulatedHost], now: datetime) -> list[SimulatedHost]:
    """Enter machines with a token each, every drive in a recorder's role."""
    made: list[SimulatedHost] = []

    def job(tx: Tx) -> None:
        rules.put_assignment(
            tx,
            {
                "assignment_id": "all",
                "place_in_order": 1,
                "matched_by": "model",
                "pattern": "*",
                "role": ROLE,
                "created_ms": 0,
            },
        )
        rules.set_mark(tx, "bench")
        for host in machines:
            hosts.add_host(
                tx,
                host_id=host.host_id,
                name=f"suite-{host.host_id}",
                system="Linux",
                machine_key=None,
                now_ms=0,
            )
            _, token = auth.issue(
                tx, scope=Scope.AGENT, label=host.host_id, created_by="bench", now=now, host_id=host.host_id
            )
            made.append(replace(host, token=token))

    store.write(job)
    return made


def furnish(
    store: Store, machines: Sequence[SimulatedHost], now: datetime, *, soaks: bool = True
) -> list[SimulatedHost]:
    """Enrol machines and take in what each has said once: its inventory, and each drive's health and soak."""
    made = enrol(store, machines, now)
    for host in made:
        said = [inventory(host, now - timedelta(days=3))]
        said += [health(host, serial, now - timedelta(days=3)) for serial in host.serials]
        if soaks:
            said += [soak(host, serial, now - timedelta(days=3)) for serial in host.serials]
        receipt = accept_many(store, said, host_id=host.host_id, received_at=now - timedelta(days=2))
        assert not receipt.refused, receipt.refused
    return made


def prepare(data: Path, machines: Sequence[SimulatedHost], now: datetime) -> tuple[list[SimulatedHost], str]:
    """Make a data folder with furnished machines; give them with their tokens, and a viewer's token."""
    data.mkdir(mode=0o700, exist_ok=True)
    store = SqliteStore(data / DATABASE)
    try:
        made = furnish(store, machines, now)
        return made, viewer(store, now)
    finally:
        store.close()


def viewer(store: Store, now: datetime) -> str:
    """Make a viewer's token."""
    return store.write(
        lambda tx: auth.issue(tx, scope=Scope.VIEWER, label="bench", created_by="bench", now=now)
    )[1]


@contextmanager
def _running(command: list[str], log: Path) -> Iterator[tuple["subprocess.Popen[str]", tuple[str, int]]]:
    with log.open("ab") as errors:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors, text=True)
    assert process.stdout is not None
    try:
        for line in process.stdout:
            found = re.match(r"listening on http://(.+):(\d+)", line)
            if found:
                yield process, (found.group(1), int(found.group(2)))
                return
        raise AssertionError(f"the server did not start: {log.read_text()[-2000:]}")
    finally:
        process.terminate()
        try:
            process.wait(timeout=40)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(timeout=20)
        process.stdout.close()


@contextmanager
def collector(data: Path, *more: str) -> Iterator[tuple["subprocess.Popen[str]", tuple[str, int]]]:
    """The real collector on a data folder: `ebbmark-collector serve` on loopback."""
    command = [sys.executable, "-m", "ebbmark_collector.cli", "serve", "--data", str(data)]
    with _running([*command, "--listen", "127.0.0.1:0", *more], data.parent / f"{data.name}.log") as running:
        yield running


@contextmanager
def empty(place: Path) -> Iterator[tuple["subprocess.Popen[str]", tuple[str, int]]]:
    """The empty Flask view on the collector's server."""
    with _running([sys.executable, "-m", "tests.bench.empty_server"], place / "empty.log") as running:
        yield running
