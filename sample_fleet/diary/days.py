"""The studio's year as its agents tell it: each day's reports and when the collector gets them."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from random import Random

from ebbmark_agent.report import (
    HealthBody,
    InventoryBody,
    Orders,
    ProbeBody,
    ProbeKind,
    Report,
    StatusBody,
)

from sample_fleet.diary.calendar import FIRST_DAY, instant
from sample_fleet.diary.health import read_health
from sample_fleet.diary.probing import Plan, probe
from sample_fleet.diary.who import Reader, drive_facts, path_of, reader_on, subject_of, volume_facts
from sample_fleet.physics.build import Medium
from sample_fleet.physics.condition import Condition, cache_bytes
from sample_fleet.physics.life import Day, days_of
from sample_fleet.studio.invent import Drive, Host, Presence, Studio
from sample_fleet.studio.lines import Link

AGENT_VERSION = "0.1.0"
_SETTLING_S = 5 * 60.0  # [s] five rounds of a minute past the cache
_FIRST_SOAKS = 12  # [d] the first soaks are spread over this many nights
_HOUSEKEEPING_SHARE = 0.012  # [1] nights on which a spot meets the drive's own tidying; takes do not
_OUT_OF_HOURS_SHARE = 0.15  # [1] nights on which a drive was written to shortly before its probe


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """A report with the instant at which it reaches the collector."""

    received_at: datetime
    report: Report


@dataclass
class _Teller:
    """One host's agent: numbers its reports, and keeps them while it is out of contact."""

    host: Host
    prefix: str
    sequence: int = 0
    kept: list[Report] = field(default_factory=list)

    def clock(self, at: datetime, day: int) -> datetime:
        """Give what this machine's clock shows at an instant: everything it dates goes by that."""
        wrong = self.host.clock_wrong
        return at + timedelta(seconds=wrong[2]) if wrong and wrong[0] <= day < wrong[1] else at

    def say(self, at: datetime, day: int, body: object) -> None:
        self.sequence += 1
        self.kept.append(
            Report.model_validate(
                {
                    "report_id": f"{self.prefix}-{self.host.host_id}-{self.sequence:06d}",
                    "host_id": self.host.host_id,
                    "agent_version": AGENT_VERSION,
                    "made_at": self.clock(at, day),
                    "sequence": self.sequence,
                    "body": body,
                }
            )
        )

    def deliver(self, at: datetime) -> list[Arrival]:
        arrivals = [Arrival(received_at=at, report=report) for report in self.kept]
        self.kept = []
        return arrivals


@dataclass
class _Seat:
    """A drive with its days and its own chance for what probes meet."""

    drive: Drive
    days: Iterator[Day]
    chance: Random
    today: Day
    first_soak: int
    last_soak: int | None = None
    probed: list[tuple[int, float]] = field(default_factory=list)

    def may_write(self, number: int, n_bytes: float) -> bool:
        """Tell whether so many bytes are left of what probes may wear of its flash in a year."""
        endurance = self.drive.nature.build.endurance_bytes
        if not endurance:
            return True
        spent = sum(written for day, written in self.probed if day > number - 365)
        return spent + n_bytes <= endurance * self.drive.role.wear_share_a_year

    def soak_due(self, number: int, every_days: float) -> bool:
        """Tell whether its agent would soak it on a day: with no soak yet on its first, then as ordered."""
        if self.last_soak is None:
            return number >= self.first_soak
        return number - self.last_soak >= every_days


class Diary:
    """Plays a studio's days in order. Make a new one to play them again."""

    def __init__(self, studio: Studio, *, noise_factor: float = 1.0, first_day: datetime = FIRST_DAY) -> None:
        """Open the diary on the first page.

        Args:
            studio: Whose days they are.
            noise_factor: Factor on the noise of every probe [1].
            first_day: Midnight at which the story begins.
        """
        self._first_day = first_day
        self.studio = studio
        self.noise_factor = noise_factor
        self._tellers = {host.host_id: _Teller(host, f"s{studio.seed}") for host in studio.hosts}
        self._seats = [self._seat(drive) for drive in studio.drives]
        self._number = -1
        self._soak_every: dict[str | None, float] = {}

    def follow(self, orders: Orders) -> None:
        """Take note of how often the volumes of a host are to be soaked, as its agent would."""
        for subject in orders.subjects:
            if subject.soak_every_s is not None:
                self._soak_every[subject.volume_id] = subject.soak_every_s / 86_400.0

    def _at(self, number: int, hour: float) -> datetime:
        return instant(number, hour, first_day=self._first_day)

    def _seat(self, drive: Drive) -> _Seat:
        seed = self.studio.seed
        days = days_of(drive.nature, seed, 10_000)
        chance = Random(f"{seed}/{drive.nature.key}/probes")
        return _Seat(drive, days, chance, next(days), 1 + chance.randrange(_FIRST_SOAKS))

    def next_day(self) -> list[Arrival]:
        """Live one day and give what reaches the collector on it, in order of arrival."""
        self._number += 1
        number = self._number
        present: dict[str, list[tuple[_Seat, Reader | None]]] = {
            host.host_id: [] for host in self.studio.hosts
        }
        for seat in self._seats:
            if number:
                seat.today = next(seat.days)
            where = _whereabouts(seat, number)
            if where is not None:
                present[where[0]].append((seat, where[1]))
        arrivals: list[Arrival] = []
        for host in self.studio.hosts:
            arrivals += self._host_day(host, number, present[host.host_id])
        return sorted(arrivals, key=lambda a: (a.received_at, a.report.host_id, a.report.sequence))

    def _host_day(self, host: Host, number: int, seats: list[tuple[_Seat, Reader | None]]) -> list[Arrival]:
        teller = self._tellers[host.host_id]
        away = host.is_offline(number)
        powered_down = away and number % 2 == 0 and not host.host_id.startswith("cart")
        if not powered_down:
            self._tell(teller, number, seats)
        return [] if away else teller.deliver(self._at(number, 5.0))

    def _tell(self, teller: _Teller, number: int, seats: list[tuple[_Seat, Reader | None]]) -> None:
        teller.say(self._at(number, 1.0), number, _inventory(teller.host, seats))
        for seat, reader in seats:
            drive, day = seat.drive, seat.today
            at = self._at(number, 2.0)
            subject = subject_of(drive, reader)
            if drive.own_identity:
                reading = read_health(drive, day, teller.clock(at, number))
                teller.say(at, number, HealthBody(subject=subject, reading=reading))
            for plan in self._plans(seat, teller.host, number):
                result = probe(
                    drive.nature.build,
                    _at_probe(day, plan, seat.chance, drive),
                    path_of(drive, day.condition, reader),
                    plan,
                    seat.chance,
                )
                dated = result.model_copy(update={"started_at": teller.clock(plan.at, number)})
                teller.say(plan.at, number, ProbeBody(subject=subject, result=dated))
        if number % 7 == 0:
            teller.say(self._at(number, 4.5), number, StatusBody(uptime_s=3600.0 * (1 + number % 90)))

    def _plans(self, seat: _Seat, host: Host, number: int) -> list[Plan]:
        drive, role = seat.drive, seat.drive.role
        if not drive.own_identity:
            return []
        if drive.presence is Presence.TRAVELS and drive.line.link is not Link.USB:
            return []
        plans: list[Plan] = []
        every_days = self._soak_every.get(f"vol-{drive.asset_tag}", role.soak_every_days)
        by_hand = drive.presence is Presence.TRAVELS  # a person's word counts for more than the budget
        soak_bytes = _soak_bytes(drive, seat.today.condition)
        if by_hand or (seat.soak_due(number, every_days) and seat.may_write(number, soak_bytes)):
            seat.last_soak = number
            plans.append(self._plan(seat, host, number, ProbeKind.SOAK, soak_bytes))
        elif seat.may_write(number, role.spot_bytes):
            plans.append(self._plan(seat, host, number, ProbeKind.SPOT, role.spot_bytes))
        seat.probed += [(number, plan.n_bytes) for plan in plans]
        return plans

    def _plan(self, seat: _Seat, host: Host, number: int, kind: ProbeKind, n_bytes: float) -> Plan:
        chance = seat.chance
        soak = kind is ProbeKind.SOAK
        busy = chance.random() < host.busy and not soak
        rested = chance.random() > _OUT_OF_HOURS_SHARE or soak
        return Plan(
            probe_id=f"{seat.drive.asset_tag}-{number}-{kind}",
            kind=kind,
            at=self._at(number, 2.5 + chance.random()),
            n_bytes=n_bytes,
            rest_before_s=chance.uniform(14_400, 40_000) if rested else chance.uniform(60, 1500),
            noise=seat.drive.noise * self.noise_factor,
            gives_way_at=chance.uniform(0.05, 0.9) if busy else None,
            by_hand=seat.drive.presence is Presence.TRAVELS,
        )


def _soak_bytes(drive: Drive, condition: Condition) -> float:
    """Give what a soak writes: the longest take at the demand, and on until it has settled past the cache.

    All that is free bounds both.
    """
    build, duty = drive.nature.build, drive.role.duty
    free = build.capacity_bytes * (1.0 - condition.fill)
    take = duty.take_bytes * duty.headroom * 1.01
    settled = cache_bytes(build, condition) + _SETTLING_S * build.direct_rate
    return min(max(take, settled), 0.97 * free)


def _at_probe(day: Day, plan: Plan, chance: Random, drive: Drive) -> Condition:
    """Give the condition a probe meets: a spent cache, a sleeping disk, or the drive's own tidying."""
    condition = day.condition
    spent = 0.0
    if plan.rest_before_s < 3600.0:
        spent = chance.uniform(0.5, 1.0) * math.exp(-plan.rest_before_s / 900.0)
    wander = condition.wander
    if plan.kind is ProbeKind.SPOT and chance.random() < _HOUSEKEEPING_SHARE:
        wander *= chance.uniform(0.3, 0.8)
    disk = drive.nature.build.medium is not Medium.FLASH
    return replace(
        condition, cache_spent_share=spent, wander=wander, asleep=disk and plan.rest_before_s > 38_000
    )


def _inventory(host: Host, seats: list[tuple[_Seat, Reader | None]]) -> InventoryBody:
    return InventoryBody(
        host_name=host.name,
        system="Linux",
        drives=tuple(drive_facts(seat.drive, seat.today.condition, reader) for seat, reader in seats),
        volumes=tuple(volume_facts(seat.drive, seat.today.condition) for seat, _ in seats),
        writes_allowed=True,
    )


def _whereabouts(seat: _Seat, number: int) -> tuple[str, Reader | None] | None:
    """Give the host and the reader a drive is on today; `None` while it lies in its case."""
    drive = seat.drive
    if drive.presence is Presence.FIXED:
        return drive.hosts[0], None
    if number not in drive.seen_days:
        return None
    host = drive.hosts[drive.seen_days.index(number) % len(drive.hosts)]
    return host, reader_on(drive, number)
