"""Judging by the clock: what has news or has aged, who has fallen silent, what is past keeping.

A round works in short transactions (`stepping`). Run twice, it does no harm.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

from ebbmark_collector.alerts import step, weigh_host
from ebbmark_collector.intake.judging import Fresh, look_at
from ebbmark_collector.intake.past import history_of
from ebbmark_collector.intake.rulebook import Rulebook, rulebook
from ebbmark_collector.judge import HostFacts, Siblings, compare, outlook
from ebbmark_collector.rounds.stepping import UNHURRIED, Pace, go_through
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
    pace: Pace = UNHURRIED,
) -> int:
    """Judge every drive that has news, a delay running, or was not looked at for long, with trend and cohort.

    Args:
        store: The store.
        now: The instant it is judged at.
        everything: Every drive, whatever its news.
        limit: The most to look at.
        pace: How it lets others go first.

    Returns:
        How many were looked at [1].
    """
    before_ms = to_ms(now if everything else now - EVERY_DRIVE_EVERY) + (1 if everything else 0)
    families = store.read(_families)
    moving = store.read(alerting.subjects_on_their_way)
    due = store.read(lambda tx: drives.to_look_at(tx, judged_before_ms=before_ms, limit=limit))
    ids = list(dict.fromkeys([*due, *moving]))[:limit]

    def begin(tx: Tx, now: datetime) -> Callable[[str], None]:
        return partial(_look, _Round(tx=tx, book=rulebook(tx), families=families, now=now, hosts={}))

    go_through(store, ids, begin, now, pace)
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


def listen_for_silence(store: Store, now: datetime, *, pace: Pace = UNHURRIED) -> None:
    """Weigh what concerns hosts: which of them have fallen silent."""
    roles_on = store.read(hosts.roles_on_hosts)
    ids = [row["host_id"] for row in store.read(hosts.all_hosts)]

    def begin(tx: Tx, now: datetime) -> Callable[[str], None]:
        recorders = {name for name, role in rulebook(tx).roles.items() if role.is_recorder}

        def listen(host_id: str) -> None:
            row = hosts.host(tx, host_id)
            if row is None:
                return
            has_recorder = bool(recorders & roles_on.get(host_id, set()))
            conditions = weigh_host(host_facts(row, has_recorder_role=has_recorder), now=now)
            stepped = step(alerting.states_of(tx, host_id), conditions, now)
            alerting.keep(tx, stepped.states, stepped.transitions, now=now, drive_id=None, host_id=host_id)

        return listen

    go_through(store, ids, begin, now, pace)


def keep_within_retention(store: Store, now: datetime, settings: Settings, *, pace: Pace = UNHURRIED) -> None:
    """Thin and drop what is past its retention."""
    kept, now_ms = settings.retention, to_ms(now)
    partitions.keep_months(store, now)
    while store.write(lambda tx: retention.drop_answers(tx, now_ms)):
        pace.rest()
    spots = store.read(lambda tx: retention.spots_to_thin(tx, kept, now_ms))
    go_through(store, spots, lambda tx, _: partial(retention.thin_spot, tx), now, pace)
    subjects = store.read(retention.subjects)
    go_through(store, subjects, lambda tx, _: partial(retention.keep_subject, tx, kept, now_ms), now, pace)
