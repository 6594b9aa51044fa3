"""What people and rounds ask of a fleet: pages, one drive's years, rounds, start-up, memory, size."""

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psutil
from ebbmark_collector.intake import accept_many, past
from ebbmark_collector.rounds import judge_fleet, listen_for_silence
from ebbmark_collector.store.opening import DATABASE
from ebbmark_collector.store.sqlite import SqliteStore

from tests.bench import serving
from tests.bench.history import Fleet, write_fleet
from tests.bench.requesting import Caller, get
from tests.bench.results import result
from tests.bench.scale import SCALE
from tests.bench.simulated import health, spot

REQUESTS = 40  # [1] of each page in one run
ROUND_S = 15  # [s] between two judging rounds: this long reports come in before one
PAGES = (
    "/v1/fleet",
    "/v1/drives",
    "/v1/drives?standing=unfit",
    "/v1/drives?sort=-last_seen_at",
    "/v1/drives?sort=floor_bytes_per_s",
    "/v1/drives?contains=B01234",
    "/v1/alerts",
    "/v1/alerts?sort=-raised_at",
    "/v1/hosts",
)
FULLY_JUDGED = 100  # [1] drives judged one after the other, to tell what one costs


def ask(address: tuple[str, int], token: str, paths: list[str]) -> tuple[list[float], list[bytes]]:
    """Ask for some paths in turn on one kept connection; give each one's time [s] and body."""
    bodies: list[bytes] = []

    def requests() -> Iterator[bytes]:
        for path in paths:
            yield get(path, token)

    caller = Caller(address, [requests()], until_s=time.perf_counter() + 300, told=bodies.append)
    tally = caller.run()
    assert set(tally.statuses) == {200}, tally.statuses
    return tally.latencies_s, bodies


def _drive_paths(drive_id: str, now: datetime) -> list[str]:
    """Give what shows one drive with its two years: its floors drawn, its probes, its days of health."""
    year_ago = f"{now - timedelta(days=365):%Y-%m-%dT%H:%M:%SZ}"
    return [
        f"/v1/drives/{drive_id}",
        f"/v1/drives/{drive_id}/floor.svg?days=730",
        f"/v1/drives/{drive_id}/probes?limit=100",
        f"/v1/drives/{drive_id}/health?limit=500&read_at_after={year_ago}",
        f"/v1/drives/{drive_id}/health?limit=500&read_at_before={year_ago}",
    ]


def _p95(values: list[float]) -> float:
    return sorted(values)[int(len(values) * 0.95)]


def build(place: Path, *, drives: int, days: int) -> tuple[Fleet, str]:
    """Write a fleet into a data folder; give it and a viewer's token."""
    place.mkdir(mode=0o700)
    store = SqliteStore(place / DATABASE)
    now = datetime.now(UTC)
    try:
        fleet = write_fleet(store, drives=drives, days=days, now=now)
        return fleet, serving.viewer(store, now)
    finally:
        store.close()


def measure(part: str, *, drives: int, days: int) -> list[dict[str, Any]]:
    """Write a fleet and measure everything about it."""
    command = f"make bench ONLY={part}"
    with serving.folder() as place:
        fleet, token = build(place / "data", drives=drives, days=days)
        size = sum(file.stat().st_size for file in (place / "data").iterdir()) / 1e9
        starts = [_start(place / "data") for _ in range(SCALE.runs)]
        pages: dict[str, list[float]] = {path: [] for path in PAGES}
        one_drive, memory = [], []
        with serving.collector(place / "data") as (process, address):
            _, bodies = ask(address, token, ["/v1/drives?limit=50"])
            ids = [item["drive_id"] for item in json.loads(bodies[0])["items"]]
            for number in range(SCALE.runs):
                for path, found in pages.items():
                    found.append(_p95(ask(address, token, [path] * REQUESTS)[0]) * 1e3)
                shown = [
                    sum(ask(address, token, _drive_paths(i, fleet.now))[0]) * 1e3 for i in ids[number::5]
                ]
                one_drive.append(_p95(shown))
                memory.append(psutil.Process(process.pid).memory_info().rss / 1e6)
        rounds, each = _rounds(place / "data" / DATABASE, fleet)
    about = f"{drives} drives, {days} days of daily spots and hourly health after retention"
    return [
        result(
            f"{part}.database",
            [size],
            unit="GB",
            bar="<= 6",
            command=command,
            note=f"{about}; written drive by drive. The same rows in the order of time take as much (200 "
            "drives, within 1 %); six drives taken in and thinned day by day took about a seventh more each, "
            "the pages that thinning left free among it",
        ),
        result(f"{part}.start_up", starts, unit="s", bar="<= 3", command=command, note="until it listens"),
        result(
            f"{part}.memory",
            memory,
            unit="MB",
            bar="<= 300",
            command=command,
            note="resident, of the server process, after the pages of a run",
        ),
        *(
            result(
                f"{part}.page{path.replace('/v1', '')}",
                found,
                unit="ms",
                bar="<= 50",
                command=command,
                note=f"95th percentile of {REQUESTS} requests a run over HTTP",
            )
            for path, found in pages.items()
        ),
        result(
            f"{part}.one_drive",
            one_drive,
            unit="ms",
            bar="<= 100",
            command=command,
            note="a drive, its two years of floors drawn, its probes and days of health: five requests, "
            "95th percentile of the sums",
        ),
        result(
            f"{part}.alert_round",
            rounds,
            unit="s",
            bar="<= 5",
            command=command,
            note=f"the whole fleet's alerts brought up to date after {ROUND_S} s of reports: every drive "
            "with news judged with trend and cohort, every host's silence weighed",
        ),
        result(
            f"{part}.drive_judged",
            each,
            unit="ms",
            bar=None,
            command=command,
            note="one drive judged in a round, half a year of spots and 400 days of health behind it, "
            f"mean of {FULLY_JUDGED}",
        ),
    ]


def _start(data: Path) -> float:
    started = time.perf_counter()
    with serving.collector(data):
        return time.perf_counter() - started


def _rounds(path: Path, fleet: Fleet) -> tuple[list[float], list[float]]:
    """Time rounds after a little news, and what a drive costs in them."""
    store = SqliteStore(path)
    now = fleet.now + timedelta(minutes=5)
    news = max(1, fleet.drives * ROUND_S // 3600)
    whole, each = [], []
    try:
        store.write(lambda tx: tx.run("UPDATE drives SET look_again = 0"))
        for number in range(SCALE.runs):
            now += timedelta(seconds=ROUND_S)
            _hear(store, fleet, now, number * news, news)
            _forget()
            started = time.perf_counter()
            judge_fleet(store, now, limit=2_000)
            listen_for_silence(store, now)
            whole.append(time.perf_counter() - started)
            _hear(store, fleet, now, 2_000 + number * FULLY_JUDGED, FULLY_JUDGED)
            _forget()
            started = time.perf_counter()
            judged = judge_fleet(store, now)
            each.append((time.perf_counter() - started) / judged * 1e3)
    finally:
        store.close()
    return whole, each


def _forget() -> None:
    """Let the judge read every point anew: a large fleet's do not stay in memory from round to round."""
    past._PROBES.clear()
    past._HEALTH.clear()


def _hear(store: SqliteStore, fleet: Fleet, now: datetime, first: int, count: int) -> None:
    every = [(host, serial) for host in fleet.machines for serial in host.serials]
    for number in range(first, first + count):
        host, serial = every[number % len(every)]
        report = health(host, serial, now, hour=20_000 + number)
        if number % 25 == 0:
            report = spot(host, serial, now, hour=20_000 + number, seed=number)
        accept_many(store, [report], host_id=host.host_id, received_at=now)
