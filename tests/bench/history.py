"""Years of a fleet written in minutes: the rows intake and retention would have left, in bulk.

A few drives are taken in for real, report by report, through the intake and the retention rounds. Every other
drive is given the rows they left, under names, keys and values of its own, drive by drive.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import judge_fleet, keep_within_retention
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store, Tx, Value, to_ms
from ebbmark_collector.store.ids import new_id
from ebbmark_collector.store.sqlite import SqliteStore

from tests.bench.alerted import invent_alerts
from tests.bench.serving import enrol
from tests.bench.simulated import SimulatedHost, health, invent_hosts, inventory, soak, spot

DAY = timedelta(days=1)
_COPIED = ("probes", "health_days", "reports", "report_ids", "report_days", "standings", "old_spots")
_TOGETHER = 100  # [1] drives written in one transaction
_DRIVE_COLUMN = {"reports": "subject_id", "report_ids": "subject_id", "report_days": "subject_id"}


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """A written fleet."""

    machines: list[SimulatedHost]
    drives: int
    now: datetime


def take_in_days(
    store: Store, machines: Sequence[SimulatedHost], *, days: int, now: datetime, hourly_days: int = 33
) -> None:
    """Take in days of reports of some machines through the real intake, then thin them.

    Args:
        store: Where to.
        machines: Enrolled.
        days: How many, ending now [d].
        now: The end of the story.
        hourly_days: For how many of the last days health comes every hour; before that once a day, which
            leaves the same after thinning [d].
    """
    for host in machines:
        start = now - days * DAY
        texts = [inventory(host, start), inventory(host, now - DAY)]
        for serial in host.serials:
            texts.append(soak(host, serial, now - 20 * DAY))
            for day in range(days):
                at = start + day * DAY
                texts.append(spot(host, serial, at + timedelta(hours=3), hour=day * 25 + 24, seed=day))
                hours = range(24) if day >= days - hourly_days else (23,)
                texts += [
                    health(host, serial, at + timedelta(hours=hour), hour=day * 25 + hour) for hour in hours
                ]
        texts.sort(key=lambda report: report.made_at)
        for first in range(0, len(texts), 200):
            some = texts[first : first + 200]
            receipt = accept_many(store, some, host_id=host.host_id, received_at=some[-1].made_at)
            assert not receipt.refused, receipt.refused[:2]
    judge_fleet(store, now)
    for day in range(0, days, 30):  # a round looks back two months
        keep_within_retention(store, now - (days - day) * DAY, Settings())
    keep_within_retention(store, now, Settings())


def write_fleet(store: Store, *, drives: int, days: int, now: datetime, drives_each: int = 5) -> Fleet:
    """Write a whole fleet's history.

    Args:
        store: An empty store.
        drives: How many [1].
        days: Of history each [d].
        now: The end of the story.
        drives_each: On one machine [1].
    """
    machines = enrol(store, invent_hosts(drives // drives_each, drives_each), now)
    take_in_days(store, machines[:1], days=days, now=now)
    models = [store.read(lambda tx, serial=serial: _model(tx, serial)) for serial in machines[0].serials]
    if isinstance(store, SqliteStore):  # nobody is told that a copy is kept, so none must be on the disk yet
        store._writer.execute("PRAGMA synchronous=OFF")
        store._writer.execute("PRAGMA cache_size=-256000")  # [KiB] ids lie anywhere in their indices
    chance = random.Random(7)
    pending: list[tuple[SimulatedHost, str, _Model]] = []
    for number, host in enumerate(machines[1:], start=1):
        for place, serial in enumerate(host.serials):
            pending.append((host, serial, models[place]))
        if len(pending) >= _TOGETHER or number == len(machines) - 1:
            some, pending = pending, []
            store.write(lambda tx, some=some: _copy_drives(tx, some, now, chance))
    store.write(lambda tx: _copy_hosts(tx, machines))
    if isinstance(store, SqliteStore):
        store._writer.execute("PRAGMA cache_size=-4000")
        store._writer.execute("PRAGMA synchronous=FULL")
    return Fleet(machines=machines, drives=drives, now=now)


@dataclass(frozen=True, kw_only=True)
class _Model:
    serial: str
    drive_id: str
    names: tuple[str, ...]


def _model(tx: Tx, serial: str) -> _Model:
    drive_id = tx.query("SELECT drive_id FROM drives WHERE serial = :serial", {"serial": serial})[0][
        "drive_id"
    ]
    names = tx.query("SELECT name FROM drive_names WHERE drive_id = :id", {"id": drive_id})
    return _Model(serial=serial, drive_id=drive_id, names=tuple(row["name"] for row in names))


def _copying(tx: Tx, table: str) -> str | None:
    """Write the statement that gives a drive's rows to another, under its own ids and at its own rates."""
    rows = tx.query(f"SELECT * FROM {table} LIMIT 1")
    if not rows:
        return None
    columns = list(rows[0])
    key = _DRIVE_COLUMN.get(table, "drive_id")
    values = []
    for column in columns:
        if column == key:
            values.append("CAST(:drive_id AS TEXT)")
        elif column == "host_id":
            values.append("CAST(:host_id AS TEXT)")
        elif column in {"report_id", "probe_id", "volume_id"}:
            values.append(f"replace({column}, :old, :new)")
        elif column.endswith("_bytes_per_s"):
            rate = f"{column} * :factor"
            values.append(f"round({rate})" if table == "old_spots" else rate)
        else:
            values.append(column)
    source = "reports" if table == "report_ids" else table  # ids lie in their own order, not by drive
    return (
        f"INSERT INTO {table} ({', '.join(columns)}) SELECT {', '.join(values)} FROM {source} "
        f"WHERE {key} = :model_id"
    )


def _copy_drives(
    tx: Tx, some: list[tuple[SimulatedHost, str, _Model]], now: datetime, chance: random.Random
) -> None:
    copies = [statement for table in _COPIED if (statement := _copying(tx, table)) is not None]
    for host, serial, model in some:
        drive_id = new_id(now)
        drive = {
            **tx.query("SELECT * FROM drives WHERE drive_id = :id", {"id": model.drive_id})[0],
            "drive_id": drive_id,
            "serial": serial,
            "host_id": host.host_id,
            "standing": chance.choice(("fit", "fit", "fit", "fit", "marginal", "unproven", "unfit")),
            "judged_ms": to_ms(now) - chance.randrange(6 * 3_600_000),
        }
        tx.insert_many("drives", tuple(drive), [tuple(drive.values())])
        tx.insert_many(
            "drive_names",
            ("name", "drive_id", "since_ms"),
            [(_renamed(name, model.serial, serial), drive_id, 0) for name in model.names],
        )
        params: dict[str, Value] = {
            "drive_id": drive_id,
            "host_id": host.host_id,
            "old": model.serial,
            "new": serial,
            "model_id": model.drive_id,
            "factor": chance.gauss(1.0, 0.02),
        }
        for statement in copies:
            tx.run(statement, params)
        invent_alerts(tx, drive_id, host.host_id, now=now, chance=chance)


def _renamed(name: str, old: str, new: str) -> str:
    return name.replace(old, new).replace(old.lower(), new.lower())


def _copy_hosts(tx: Tx, machines: list[SimulatedHost]) -> None:
    rows = tx.query("SELECT * FROM hosts WHERE host_id = :id", {"id": machines[0].host_id})[0]
    for host in machines[1:]:
        tx.run(
            """UPDATE hosts SET last_report_ms = :ms, last_sequence = :n, agent_version = '0.1.0',
                 writes_allowed = 1, inventory_json = :inventory WHERE host_id = :id""",
            {
                "id": host.host_id,
                "ms": rows["last_report_ms"],
                "n": rows["last_sequence"],
                "inventory": rows["inventory_json"],
            },
        )
