"""All agents at once after a day's outage: every report in, none twice, the queue drained near the top rate.

Each agent connects, hands in its day (24 health reports and a spot in one request), and leaves; told 503 or
429 it comes again after its Retry-After, over a new connection.
"""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ebbmark_collector.store.opening import DATABASE
from ebbmark_collector.store.sqlite import SqliteStore

from tests.bench import serving
from tests.bench.load import Load, clients, play_apart
from tests.bench.requesting import Caller, Tally, post
from tests.bench.results import result
from tests.bench.scale import SCALE
from tests.bench.simulated import Mill, SimulatedHost, batch, invent_hosts

DAY = 25  # [1] reports of a day's outage: 24 of health, one spot
LONGEST_S = 600.0  # [s]
COMMAND = "make bench ONLY=reconnect"


def run() -> list[dict[str, Any]]:
    """Measure the top rate, then let everybody come at once."""
    shares, drained, top_rates, missing, bad = [], [], [], [], []
    with serving.folder() as place:
        machines = _enrolled(place / "data")
        with serving.collector(place / "data") as (_, address):
            for number in range(SCALE.runs):
                hour = (number + 1) * 1_000_000
                load = Load(
                    address=address,
                    machines=tuple(machines),
                    seconds=SCALE.seconds,
                    connections=16,
                    reports=DAY,
                    first_hour=hour,
                )
                top = play_apart(load)
                top_rates.append(top.reports / top.took_s)
                before = _count(place / "data")
                tally = _everybody(address, machines, hour + 500_000)
                drained.append(tally.reports / tally.took_s)
                shares.append(drained[-1] / top_rates[-1])
                missing.append(float(len(machines) * DAY - (_count(place / "data") - before)))
                bad.append(float(_against_the_rules(tally)))
    note = f"{len(machines)} agents at once, {DAY} reports each in one request"
    return [
        result(
            "reconnect.drained_over_top_rate", shares, unit="ratio", bar=">= 0.7", command=COMMAND, note=note
        ),
        result("reconnect.reports_per_s", drained, unit="1/s", bar=None, command=COMMAND, note=note),
        result(
            "reconnect.top_rate",
            top_rates,
            unit="1/s",
            bar=None,
            command=COMMAND,
            note="16 kept connections, requests of the same size, the same agents in turn, just before",
        ),
        result(
            "reconnect.reports_missing",
            missing,
            unit="reports",
            bar="<= 0",
            command=COMMAND,
            note="sent less kept, counted in the database",
        ),
        result(
            "reconnect.reports_twice",
            [max(0.0, -m) for m in missing],
            unit="reports",
            bar="<= 0",
            command=COMMAND,
            note="kept less sent",
        ),
        result(
            "reconnect.answers_against_the_rules",
            bad,
            unit="answers",
            bar="<= 0",
            command=COMMAND,
            note="neither 2xx nor 429 or 503 with Retry-After",
        ),
    ]


def _enrolled(data: Path) -> list[SimulatedHost]:
    data.mkdir(mode=0o700)
    store = SqliteStore(data / DATABASE)
    try:
        return serving.furnish(store, invent_hosts(SCALE.reconnecting, 1), datetime.now(UTC), soaks=False)
    finally:
        store.close()


def _count(data: Path) -> int:
    with closing(sqlite3.connect(f"file:{data / DATABASE}?mode=ro", uri=True)) as conn:
        return int(conn.execute("SELECT COUNT(*) FROM reports").fetchone()[0])


def _against_the_rules(tally: Tally) -> int:
    other = sum(n for status, n in tally.statuses.items() if status not in {200, 429, 503})
    return other + tally.without_retry_after


def _day_of(mill: Mill, host: SimulatedHost, hour: int, start: datetime) -> Iterator[bytes]:
    stream = mill.stream(host, start, first_hour=hour)
    yield post("/v1/reports", batch([next(stream) for _ in range(DAY)]), host.token)


def come_at_once(address: tuple[str, int], machines: list[SimulatedHost], hour: int) -> Tally:
    """Let every agent hand in its day, in this process."""
    mill, start = Mill(), datetime.now(UTC)
    taken = 0

    def told(body: bytes) -> None:
        nonlocal taken
        taken += DAY

    caller = Caller(
        address,
        [_day_of(mill, host, hour, start) for host in machines],
        until_s=time.perf_counter() + LONGEST_S,
        patience_s=0.0,
        retry=True,
        close_after=True,
        told=told,
    )
    tally = caller.run()
    tally.reports = taken
    return tally


def _everybody(address: tuple[str, int], machines: list[SimulatedHost], hour: int) -> Tally:
    return clients().submit(come_at_once, address, machines, hour).result(timeout=LONGEST_S + 60)
