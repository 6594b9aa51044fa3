"""Replays one seed's year through the collector's real intake and rounds, and gathers what it raised.

The clock is the story's: reports are accepted at the instant they would have come in, rounds run once a
simulated day. The store is a real one, on SQLite in a folder that is thrown away.
"""

import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from pathlib import Path

from ebbmark_agent.report import Orders
from ebbmark_collector.alerts import Event, Transition
from ebbmark_collector.intake import accept_together
from ebbmark_collector.intake.orders import orders_for
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.rounds import judge_fleet, keep_within_retention, listen_for_silence
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store, Tx, Value, drives, hosts, rules, to_ms
from ebbmark_collector.store.sqlite import SqliteStore
from pydantic import TypeAdapter

from sample_fleet.diary.calendar import FIRST_DAY, instant
from sample_fleet.diary.days import Arrival, Diary
from sample_fleet.scoring.calls import Call
from sample_fleet.scoring.house import assigned, role_document
from sample_fleet.scoring.rivals import RIVALS, Watch
from sample_fleet.studio.invent import STUDIO, Scale, Studio, invent
from sample_fleet.studio.roles import ROLES
from sample_fleet.truth import LOOK_AHEAD_DAYS, Truth, truths

_TRANSITION: TypeAdapter[Transition] = TypeAdapter(Transition)
_RAISING = frozenset({Event.RAISED, Event.RAISED_AGAIN})
_ANNOUNCING = _RAISING | {Event.SEVERITY_UP, Event.REAPPEARED}
_MEMORY = Path("/dev/shm")  # noqa: S108 - only a place to be quick in; a plain folder does as well
ORDERS_EVERY_DAYS = 3  # [d] agents ask every five minutes; soaks are weeks apart, so this does
ROUND_HOUR = 11.5  # [h] by then what was judged at night is due again; a collector looks every few seconds


@dataclass(frozen=True, kw_only=True)
class Played:
    """One seed played to the end: the truth, what the judge raised, what its rivals raised."""

    seed: int
    studio: Studio
    truths: tuple[Truth, ...]
    calls: tuple[Call, ...]
    rivals: dict[str, tuple[Call, ...]] = field(default_factory=dict)
    reports: int = 0


def play_seed(
    seed: int, *, days: int, noise_factor: float = 1.0, scale: Scale = STUDIO, folder: Path | None = None
) -> Played:
    """Replay one seed.

    Args:
        seed: Which studio.
        days: Length of the story [d].
        noise_factor: Factor on the noise of every probe [1].
        scale: How large the studio is.
        folder: Where to keep the store; by default it is thrown away.
    """
    studio = invent(seed, scale)
    told = tuple(truths(studio, last_day=days + LOOK_AHEAD_DAYS))
    place = str(_MEMORY) if folder is None and _MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="sample-fleet-", dir=place) as temporary:
        store = SqliteStore((folder or Path(temporary)) / "collector.db")
        try:
            watches = _rival_watches(studio)
            raised, count = _live(store, studio, days, noise_factor, watches)
            calls = tuple(store.read(_calls))
        finally:
            store.close()
    return Played(seed=seed, studio=studio, truths=told, calls=calls, rivals=raised, reports=count)


def _rival_watches(studio: Studio) -> list[Watch]:
    duties = {drive.nature.key: drive.role.duty for drive in studio.drives if drive.own_identity}
    return [Watch(rival=rival(), duties=duties) for rival in RIVALS]


def set_up(store: Store, studio: Studio, now: datetime) -> None:
    """Enter the studio's rules and hosts as its admin would, before the first report."""

    def job(tx: Tx) -> None:
        for role in ROLES:
            document = json.dumps({"role": role_document(role), "watch": {}})
            row: dict[str, Value] = {
                "name": role.name,
                "origin": "house",
                "document": document,
                "changed_ms": to_ms(now),
            }
            tx.insert_many("roles", tuple(row), [tuple(row.values())])
        for place, (drive, role_name) in enumerate(assigned(studio)):
            row = {
                "assignment_id": f"by-serial-{place:03d}",
                "place_in_order": place,
                "matched_by": "serial",
                "pattern": drive.serial,
                "role": role_name,
                "created_ms": to_ms(now),
            }
            tx.insert_many("assignments", tuple(row), [tuple(row.values())])
        rules.set_mark(tx, f"sample-{studio.seed}-{len(studio.drives)}")
        for host in studio.hosts:
            hosts.add_host(
                tx, host_id=host.host_id, name=host.name, system="Linux", machine_key=None, now_ms=to_ms(now)
            )

    store.write(job)


def _live(
    store: Store, studio: Studio, days: int, noise_factor: float, watches: list[Watch]
) -> tuple[dict[str, tuple[Call, ...]], int]:
    set_up(store, studio, instant(0))
    diary = Diary(studio, noise_factor=noise_factor)
    raised: dict[str, list[Call]] = {watch.rival.name: [] for watch in watches}
    count = 0
    for day in range(days):
        arrivals = diary.next_day()
        count += len(arrivals)
        for watch in watches:
            for arrival in arrivals:
                raised[watch.rival.name] += watch.see(arrival.report, arrival.received_at)
        take_in(store, arrivals)
        if day == 0:
            tag_drives(store, studio)
        run_rounds(store, instant(day, ROUND_HOUR))
        if day % ORDERS_EVERY_DAYS == 0:
            follow_orders(store, diary, day)
        if day % 30 == 29:
            keep_within_retention(store, instant(day, ROUND_HOUR + 1.0), Settings())
    return {name: tuple(calls) for name, calls in raised.items()}, count


def take_in(store: Store, arrivals: list[Arrival]) -> None:
    """Hand a day's reports to the intake as they came: hosts that send at one instant share a transaction."""
    for received_at, together in groupby(arrivals, lambda arrival: arrival.received_at):
        batches = [
            (host_id, [arrival.report for arrival in group])
            for host_id, group in groupby(together, lambda arrival: arrival.report.host_id)
        ]
        for receipt in accept_together(store, batches, received_at=received_at):
            if receipt.refused:
                raise AssertionError(f"The intake refused {receipt.refused[0]}.")


def run_rounds(store: Store, now: datetime) -> None:
    """Run the day's rounds."""
    judge_fleet(store, now)
    listen_for_silence(store, now)


def follow_orders(store: Store, diary: Diary, day: int) -> None:
    """Let every agent in contact fetch its orders and go by them from the next night on."""
    now = instant(day, ROUND_HOUR)

    def fetch(tx: Tx) -> list[Orders]:
        book = rulebook(tx)
        found = [hosts.host(tx, host.host_id) for host in diary.studio.hosts if not host.is_offline(day)]
        return [orders_for(tx, row, book, now) for row in found if row is not None]

    for orders in store.read(fetch):
        diary.follow(orders)


def tag_drives(store: Store, studio: Studio) -> None:
    """Stick the asset tags on the drives seen so far, as the admin does on the first day."""
    store.write(lambda tx: _tag(tx, studio))


def _tag(tx: Tx, studio: Studio) -> None:
    tags = {drive.serial: drive.asset_tag for drive in studio.drives}
    for row in tx.query("SELECT drive_id, serial FROM drives WHERE serial IS NOT NULL"):
        if row["serial"] in tags:
            drives.update_drive(tx, row["drive_id"], {"asset_tag": tags[row["serial"]]})


def _calls(tx: Tx) -> Iterator[Call]:
    rows = tx.query(
        """SELECT t.transition_json, t.alert_id, d.ref, d.serial FROM alert_transitions t
           JOIN alerts a ON a.alert_id = t.alert_id LEFT JOIN drives d ON d.drive_id = a.drive_id
           ORDER BY t.at_ms, t.alert_id, t.number"""
    )
    for row in rows:
        line = _TRANSITION.validate_json(row["transition_json"])
        if line.event not in _ANNOUNCING:
            continue
        yield Call(
            drive=row["ref"] or "",
            at_day=(line.at - FIRST_DAY).total_seconds() / 86_400.0,
            kind=line.key.kind.value,
            predicts=line.condition.predicts_lost_frames,
            cause=line.condition.cause,
            episode=f"{row['alert_id']}",
            period=line.times_raised,
            raised=line.event in _RAISING,
        )
