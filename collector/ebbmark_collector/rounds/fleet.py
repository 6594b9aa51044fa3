"""Judging by the clock: what has news or has aged, who has fallen silent, what is past keeping.

A round works in short transactions, so intake never waits long for it: twenty drives may take a tenth of a
second, and who reports then would wait as long. Run twice, it does no harm.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from ebbmark_collector.alerts import step, weigh_host
from ebbmark_collector.intake.judging import Fresh, look_at
from ebbmark_collector.intake.past import history_of
from ebbmark_collector.intake.rulebook import Rulebook, rulebook
from ebbmark_collector.judge import HostFacts, Siblings, compare, outlook
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import (
    Row,
    Store,
    Tx,
    alerting,
    drives,
    from_ms,
    hosts,
    partitions,
    retention,
    to_ms,
)

CHUNK = 20  # [1] drives judged in one transaction, at the most
STEP_S = 0.02  # [s] after which it takes on no further drive: so long whoever reports waits for it
EVERY_DRIVE_EVERY = timedelta(
    hours=6
)  # a drive without news is looked at this often: evidence ages by itself
_MOST_SIBLINGS = 200  # [1] more tell no more


@dataclass(frozen=True, kw_only=True)
class _Family:
    """The drives of one model, for comparing them."""

    rows: list[Row]

    def siblings_of(self, drive: Row) -> Siblings:
        """Give the others on a like path."""
        others = [
            row
            for row in self.rows
            if row["drive_id"] != drive["drive_id"]
            and row["path_key"] == drive["path_key"]
            and row["firmware"] == drive["firmware"]
        ][:_MOST_SIBLINGS]
        return Siblings(
            model=drive["model"],
            firmware=drive["firmware"],
            spot_floors_bytes_per_s=_known(others, "spot_floor_bytes_per_s"),
            soak_floors_bytes_per_s=_known(others, "soak_floor_bytes_per_s"),
            cliff_at_bytes=tuple(round(value) for value in _known(others, "soak_cliff_bytes")),
        )


def _known(rows: list[Row], name: str) -> tuple[float, ...]:
    return tuple(row[name] for row in rows if row[name] is not None)


def _families(tx: Tx) -> dict[str, _Family]:
    found: dict[str, list[Row]] = defaultdict(list)
    for row in drives.siblings(tx):
        found[row["model"]].append(row)
    return {model: _Family(rows=rows) for model, rows in found.items()}


@dataclass(frozen=True, kw_only=True)
class _Round:
    """What one transaction of a round looks at drives with."""

    tx: Tx
    book: Rulebook
    families: dict[str, _Family]
    now: datetime
    hosts: dict[str, Row | None]

    def host(self, host_id: str | None) -> Row | None:
        """Give a drive's host, read once for all its drives."""
        if host_id is None:
            return None
        if host_id not in self.hosts:
            self.hosts[host_id] = hosts.host(self.tx, host_id)
        return self.hosts[host_id]


def _look(this: _Round, drive_id: str) -> None:
    tx, book, families, now = this.tx, this.book, this.families, this.now
    row = drives.drive(tx, drive_id)
    if row is None:
        return
    host = this.host(row["host_id"])
    family = families.get(row["model"]) if row["model"] else None
    siblings = family.siblings_of(row) if family else None
    past = history_of(tx, row, host, now, siblings=siblings)
    role = book.role(row["role"])
    fresh = Fresh(outlook=outlook(past, role, now), cohort=compare(past, now))
    look_at(tx, drive_id, book, now, fresh=fresh, siblings=siblings, history=past, row=row, host=host)


def judge_fleet(
    store: Store,
    now: datetime,
    *,
    everything: bool = False,
    limit: int = 100_000,
    rest: Callable[[], timedelta] = timedelta,
    now_s: Callable[[], float] = float,
) -> int:
    """Judge every drive that has news, a delay running, or was not looked at for long, with trend and cohort.

    Args:
        store: The store.
        now: The instant it is judged at.
        everything: Every drive, whatever its news.
        limit: The most to look at.
        rest: Called before each transaction to let others go first; gives how long they went.
        now_s: A monotonic clock by which a transaction ends after `STEP_S` [s]; by default it stands still.

    Returns:
        How many were looked at [1].
    """
    before_ms = to_ms(now if everything else now - EVERY_DRIVE_EVERY) + (1 if everything else 0)
    families = store.read(_families)
    moving = store.read(alerting.subjects_on_their_way)
    due = store.read(lambda tx: drives.to_look_at(tx, judged_before_ms=before_ms, limit=limit))
    ids = list(dict.fromkeys([*due, *moving]))[:limit]
    done = 0
    while done < len(ids):
        chunk = ids[done : done + CHUNK]
        now += rest()

        def job(tx: Tx, chunk: list[str] = chunk, now: datetime = now) -> int:
            this = _Round(tx=tx, book=rulebook(tx), families=families, now=now, hosts={})
            began_s = now_s()
            for number, drive_id in enumerate(chunk, 1):
                _look(this, drive_id)
                if now_s() - began_s >= STEP_S:
                    return number
            return len(chunk)

        done += store.write(job)
    return len(ids)


def host_facts(row: Row, *, has_recorder_role: bool) -> HostFacts:
    """Give a host as the silence round looks at it."""
    return HostFacts(
        host_id=row["host_id"],
        name=row["name"],
        place=None,
        heard_at=from_ms(row["last_report_ms"] or row["enrolled_ms"]),
        show=bool(row["show_mode"]),
        retired="retired" if row["state"] != "enrolled" else None,
        has_recorder_role=has_recorder_role,
    )


def listen_for_silence(store: Store, now: datetime) -> None:
    """Weigh what concerns hosts: which of them have fallen silent."""

    def job(tx: Tx) -> None:
        book = rulebook(tx)
        recorders = {name for name, role in book.roles.items() if role.is_recorder}
        roles_on = hosts.roles_on_hosts(tx)
        for row in hosts.all_hosts(tx):
            has_recorder = bool(recorders & roles_on.get(row["host_id"], set()))
            conditions = weigh_host(host_facts(row, has_recorder_role=has_recorder), now=now)
            stepped = step(alerting.states_of(tx, row["host_id"]), conditions, now)
            alerting.keep(
                tx, stepped.states, stepped.transitions, now=now, drive_id=None, host_id=row["host_id"]
            )

    store.write(job)


def keep_within_retention(store: Store, now: datetime, settings: Settings) -> None:
    """Thin and drop what is past its retention."""
    partitions.keep_months(store, now)
    for part in retention.parts(settings.retention, to_ms(now)):
        place: str | None = ""
        while place is not None:

            def job(tx: Tx, part: retention.Part = part, place: str = place) -> str | None:
                return part(tx, place)

            place = store.write(job)
