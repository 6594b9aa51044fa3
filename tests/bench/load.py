"""The load tool: simulated agents against a running collector, for a bounded time, in a process of their own.

Every connection plays several agents in turn, each with its own token, host and drives.
"""

import json
import multiprocessing
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache

from tests.bench.requesting import Caller, Tally, post
from tests.bench.simulated import Mill, SimulatedHost, batch


@dataclass(frozen=True, kw_only=True)
class Load:
    """What the agents do.

    Attributes:
        reports: In one request [1].
        seconds: How long new requests are sent [s].
        connections: Kept open at once [1].
        path: Where reports go.
        rate_per_s: Requests a second, whether or not answers came; None: as fast as answers come.
        first_hour: Of each machine's reports.
        spread: Each machine is an hour further into its day than the one before, as agents spread their
            spots over it: the mix holds at every moment, and not only over a whole day.
    """

    address: tuple[str, int]
    machines: tuple[SimulatedHost, ...]
    reports: int = 1
    seconds: float = 5.0
    connections: int = 8
    path: str = "/v1/reports"
    rate_per_s: float | None = None
    first_hour: int = 0
    spread: bool = False


def _requests(mill: Mill, load: Load, first: int, start: datetime) -> Iterator[bytes]:
    machines = load.machines[first :: load.connections]
    apart = load.connections if load.spread else 1
    streams = [
        (host, mill.stream(host, start, first_hour=load.first_hour + first * load.spread + number * apart))
        for number, host in enumerate(machines)
    ]
    while True:
        for host, stream in streams:
            body = batch([next(stream) for _ in range(load.reports)])
            yield post(load.path, body, host.token)


def play(load: Load) -> Tally:
    """Play the agents in this process."""
    mill, start = Mill(), datetime.now(UTC)
    sources = [
        _requests(mill, load, number, start) for number in range(min(load.connections, len(load.machines)))
    ]
    refused: list[bytes] = []
    accepted = 0

    def told(body: bytes) -> None:
        nonlocal accepted
        if body == b"{}":
            accepted += load.reports
            return
        receipt = json.loads(body)
        accepted += len(receipt["accepted"])
        if receipt["refused"] or receipt["repeated"]:
            refused.append(body)

    caller = Caller(
        load.address,
        sources,
        until_s=time.perf_counter() + load.seconds,
        rate_per_s=load.rate_per_s,
        told=told,
    )
    tally = caller.run()
    tally.reports = accepted
    assert not refused, refused[0][:500]
    bad = {
        status: n
        for status, n in tally.statuses.items()
        if not 200 <= status < 300 and status not in {429, 503}
    }
    assert not bad, f"answers other than 2xx, 429 and 503: {bad}"
    return tally


def play_apart(load: Load) -> Tally:
    """Play the agents in a process of their own, so that their work does not slow what measures them."""
    return clients().submit(play, load).result(timeout=load.seconds + 150)


@cache
def clients() -> ProcessPoolExecutor:
    """Give the processes the agents are played in; started once, for starting takes longer than some runs."""
    return ProcessPoolExecutor(4, mp_context=multiprocessing.get_context("spawn"))


def start_clients_anew() -> None:
    """Leave the client processes behind: one that broke or hangs must not spoil the next part."""
    clients().shutdown(wait=False, cancel_futures=True)
    clients.cache_clear()
