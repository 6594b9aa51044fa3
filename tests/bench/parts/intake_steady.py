"""Intake at half of its top rate (99th percentile), in a larger fleet, and with two years behind it."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ebbmark_collector.store.opening import DATABASE
from ebbmark_collector.store.sqlite import SqliteStore

from tests.bench import serving
from tests.bench.history import write_fleet
from tests.bench.load import Load, play_apart
from tests.bench.requesting import Tally
from tests.bench.results import result
from tests.bench.scale import QUICK, SCALE
from tests.bench.simulated import SimulatedHost, invent_hosts

COMMAND = "make bench ONLY=intake_steady"
DRIVES = 40 if QUICK else 100  # [1] with a history behind them


def percentile(values: list[float], share: float) -> float:
    """Give the value that a share of the values does not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * share))]


def _rate(tally: Tally) -> float:
    return tally.reports / tally.took_s


def run() -> list[dict[str, Any]]:
    """Measure the three."""
    with serving.folder() as place:
        return [*_half_rate(place), *_drives(place), *_history(place)]


def _half_rate(place: Path) -> list[dict[str, Any]]:
    machines, _ = serving.prepare(place / "half", invent_hosts(64, 2), datetime.now(UTC))
    late = []
    with serving.collector(place / "half") as (_, address):
        load = Load(
            address=address, machines=tuple(machines), seconds=SCALE.seconds, connections=16, spread=True
        )
        top = _rate(play_apart(load))
        for number in range(SCALE.runs):
            tally = play_apart(
                replace(load, rate_per_s=top / 2, connections=32, first_hour=(number + 1) * 1_000_000)
            )
            late.append(percentile(tally.latencies_s, 0.99) * 1e3)
    return [
        result(
            "intake_steady.p99_at_half_rate",
            late,
            unit="ms",
            bar="<= 50",
            command=COMMAND,
            note=f"one report a request at half of {top:.0f}/s, sent whether or not answers came; "
            "machines an hour apart in their day, so one report in 25 is a spot at every moment",
        )
    ]


def _turns(place: Path, names: tuple[str, str], loads: tuple[Load, Load]) -> list[float]:
    """Load two collectors in turn, the order changing; give the second's rate over the first's."""
    ratios = []
    for number in range(SCALE.runs):
        found = {}
        order = (0, 1) if number % 2 else (1, 0)
        for which in order:
            found[which] = _rate(play_apart(replace(loads[which], first_hour=(number + 1) * 1_000_000)))
        ratios.append(found[1] / found[0])
    return ratios


def _drives(place: Path) -> list[dict[str, Any]]:
    now = datetime.now(UTC)
    few, _ = serving.prepare(place / "few", invent_hosts(64, 2), now)
    many, _ = serving.prepare(place / "many", invent_hosts(512, 2), now)
    with serving.collector(place / "few") as (_, one), serving.collector(place / "many") as (_, other):
        ratios = _turns(
            place,
            ("few", "many"),
            (
                Load(address=one, machines=tuple(few), seconds=SCALE.seconds, connections=16),
                Load(address=other, machines=tuple(many[:64]), seconds=SCALE.seconds, connections=16),
            ),
        )
    return [
        result(
            "intake_steady.rate_with_eightfold_drives",
            ratios,
            unit="ratio",
            bar=">= 0.9",
            command=COMMAND,
            note="reports a second of the same 128 drives among 1,024 over that of 128 alone: the work of a "
            "report does not grow with the fleet, so all work is linear in drives",
        )
    ]


def _history(place: Path) -> list[dict[str, Any]]:
    now = datetime.now(UTC)
    loads = []
    for name, days in (("short", 30), ("long", 730)):
        (place / name).mkdir(mode=0o700)
        store = SqliteStore(place / name / DATABASE)
        fleet = write_fleet(store, drives=DRIVES, days=days, now=now, drives_each=2)
        store.close()
        loads.append((place / name, fleet.machines))
    with serving.collector(loads[0][0]) as (_, one), serving.collector(loads[1][0]) as (_, other):
        ratios = _turns(place, ("short", "long"), (_of(one, loads[0][1]), _of(other, loads[1][1])))
    return [
        result(
            "intake_steady.rate_with_24_months",
            ratios,
            unit="ratio",
            bar=">= 0.9",
            command=COMMAND,
            note=f"reports a second with 24 months of history over that with one, {DRIVES} drives",
        )
    ]


def _of(address: tuple[str, int], machines: list[SimulatedHost]) -> Load:
    return Load(address=address, machines=tuple(machines), seconds=SCALE.seconds, connections=16)
