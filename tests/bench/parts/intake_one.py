"""Intake, one report a request: its rate beside an empty Flask POST of the same size on the same server.

Both servers stand side by side and are loaded in turn by the same client over kept connections. Reports are
the mix of 24 NVMe health reports to one spot of 256 points, validated, stored durably (synchronous FULL) and
judged.
"""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from tests.bench import serving
from tests.bench.load import Load, play_apart
from tests.bench.results import result
from tests.bench.scale import SCALE
from tests.bench.simulated import invent_hosts

HOSTS = 64  # [1] each token may ask 6,000 times a minute
CONNECTIONS = 32
COMMAND = "make bench ONLY=intake_one"


def run() -> list[dict[str, Any]]:
    """Measure the two in turn."""
    ratios, rates, empty_rates = [], [], []
    now = datetime.now(UTC)
    with serving.folder() as place:
        machines, _ = serving.prepare(place / "data", invent_hosts(HOSTS, 2), now)
        with serving.collector(place / "data") as (_, address), serving.empty(place) as (_, bare):
            load = Load(
                address=address,
                machines=tuple(machines),
                seconds=SCALE.seconds,
                connections=CONNECTIONS,
            )
            play_apart(replace(load, seconds=1.0))  # caches warm, tokens seen
            for number in range(SCALE.runs):
                nothing = play_apart(replace(load, address=bare, path="/empty"))
                taken = play_apart(replace(load, first_hour=(number + 1) * 1_000_000))
                rates.append(taken.reports / taken.took_s)
                empty_rates.append(nothing.reports / nothing.took_s)
                ratios.append(rates[-1] / empty_rates[-1])
    note = (
        f"{CONNECTIONS} kept connections, {HOSTS} agents, one client process, closed loop; bodies are read. "
        "Limited by the server process's one interpreter lock, and by the disk's sync where it is slow."
    )
    return [
        result("intake_one.over_empty_post", ratios, unit="ratio", bar=">= 0.4", command=COMMAND, note=note),
        result(
            "intake_one.reports_per_s", rates, unit="1/s", bar=None, command=COMMAND, note="one a request"
        ),
        result(
            "intake_one.empty_posts_per_s",
            empty_rates,
            unit="1/s",
            bar=None,
            command=COMMAND,
            note="the reference: an empty Flask view on the same server, bodies of the same size",
        ),
    ]
