"""Deals a studio from a seed: machines, fixed drives, and media in cases."""

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from random import Random

from sample_fleet.physics.build import Build, Medium
from sample_fleet.physics.nature import Filling, Nature
from sample_fleet.studio import lines, roles
from sample_fleet.studio.lines import LINK_BYTES_PER_S, Line
from sample_fleet.studio.roles import StudioRole
from sample_fleet.studio.spread import Spread
from sample_fleet.studio.troubles import befall

_Seat = tuple[Line, StudioRole, str]


class Presence(StrEnum):
    """Whether a drive stays in its machine or travels."""

    FIXED = "fixed"
    TRAVELS = "travels"


@dataclass(frozen=True, kw_only=True)
class Host:
    """A machine with an agent.

    Args:
        host_id: Its id.
        name: What people call it.
        room: Where it stands.
        offline: Spans of days in which it is out of contact [d].
        clock_wrong: Span of days and by how much its clock is off [d, d, s].
        busy: Chance that a night's probe meets foreign traffic and gives way [1].
    """

    host_id: str
    name: str
    room: str
    offline: tuple[tuple[int, int], ...] = ()
    clock_wrong: tuple[int, int, float] | None = None
    busy: float = 0.02

    def is_offline(self, day: int) -> bool:
        """Tell whether nothing is heard of it on a day."""
        return any(begin <= day < end for begin, end in self.offline)


@dataclass(frozen=True, kw_only=True)
class Drive:
    """A drive of the studio.

    Args:
        nature: Its physics and fate.
        line: Its model line.
        firmware: The release on it.
        serial: Its own serial number.
        wwn: Its world-wide name, where it tells one.
        asset_tag: The label the studio stuck on it.
        role: Its role.
        presence: Whether it stays.
        hosts: Where it is seen; a fixed drive has one.
        own_identity: Whether its own serial gets through to the machine.
        seen_days: Days on which a travelling drive is plugged in; empty for fixed ones.
        noise: Standard deviation of the logarithm of a probe's rate [1].
    """

    nature: Nature
    line: Line
    firmware: str
    serial: str
    wwn: str | None
    asset_tag: str
    role: StudioRole
    presence: Presence
    hosts: tuple[str, ...]
    own_identity: bool = True
    seen_days: tuple[int, ...] = ()
    noise: float = 0.02


@dataclass(frozen=True, kw_only=True)
class Studio:
    """All of it: one seed's studio."""

    seed: int
    hosts: tuple[Host, ...]
    drives: tuple[Drive, ...]
    spread: Spread


@dataclass(frozen=True, kw_only=True)
class Scale:
    """How large a studio is dealt.

    Args:
        capture, edit, replay, carts: Machines of each kind [1].
        shuttles, cards, archive_disks: Travelling media of each kind [1].
        troubled_share: Share of the fixed drives with a duty that something befalls [1].
    """

    capture: int = 14
    edit: int = 14
    replay: int = 6
    carts: int = 6
    shuttles: int = 56
    cards: int = 40
    archive_disks: int = 18
    troubled_share: float = 0.24


STUDIO = Scale()
SMALL = Scale(capture=5, edit=4, replay=2, carts=1, shuttles=6, cards=3, archive_disks=2, troubled_share=0.22)


_JUST_ENOUGH_SHARE = 0.12  # [1] healthy drives that are only just fast enough for their role


@dataclass(frozen=True, kw_only=True)
class _Deal:
    """What every part of the dealing needs: the chance, the seed's factors, the size."""

    draw: Random
    spread: Spread
    scale: Scale


def invent(seed: int, scale: Scale = STUDIO) -> Studio:
    """Deal the studio of a seed."""
    deal = _Deal(draw=Random(f"{seed}/studio"), spread=Spread.of(seed), scale=scale)
    hosts, seats = _machines(deal.draw, scale)
    drives = [_fixed(deal, number, seat) for number, seat in enumerate(seats)]
    drives += _travelling(deal, hosts, len(drives))
    return Studio(seed=seed, hosts=tuple(hosts), drives=tuple(drives), spread=deal.spread)


def _machines(draw: Random, scale: Scale) -> tuple[list[Host], list[_Seat]]:
    hosts: list[Host] = []
    seats: list[_Seat] = []
    kinds = (
        ("capture", "Long Gallery", scale.capture),
        ("edit", "Loft", scale.edit),
        ("replay", "Yard Studio", scale.replay),
        ("cart", "on location", scale.carts),
    )
    for kind, room, count in kinds:
        for number in range(1, count + 1):
            host = _host(draw, kind, room, number)
            hosts.append(host)
            seats += [(line, role, host.host_id) for line, role in _seats(draw, kind)]
    return hosts, seats


def _host(draw: Random, kind: str, room: str, number: int) -> Host:
    offline: list[tuple[int, int]] = []
    stays = 6 if kind == "cart" else draw.choice((0, 0, 1, 2))
    for _ in range(stays):
        begin = draw.randrange(20, 480)
        offline.append((begin, begin + draw.randrange(2, 12 if kind == "cart" else 5)))
    wrong = None
    if draw.random() < 0.08:
        begin = draw.randrange(30, 300)
        wrong = (begin, begin + draw.randrange(5, 40), draw.choice((-86_400.0 * 3, 7200.0, 86_400.0 * 400)))
    return Host(
        host_id=f"{kind}-{number:02d}",
        name=f"{kind}-{number:02d}",
        room=room,
        offline=tuple(offline),
        clock_wrong=wrong,
        busy=draw.choice((0.01, 0.02, 0.05, 0.15)),
    )


def _seats(draw: Random, kind: str) -> list[tuple[Line, StudioRole]]:
    if kind == "capture":
        first = draw.choice((lines.ESKER, lines.DRUMLIN, lines.ESKER, lines.CORRIE))
        usual = (lines.CORRIE, lines.DRUMLIN, lines.MORAINE, lines.TARN)
        second = draw.choice(usual) if draw.random() < 0.9 else draw.choice((lines.SCREE, lines.BECK))
        return [(first, roles.CAPTURE_UHD), (second, roles.CAPTURE_MULTI)]
    if kind == "edit":
        return [(draw.choice((lines.DRUMLIN, lines.ESKER, lines.CORRIE)), roles.EDIT_CACHE)] + (
            [(draw.choice((lines.MORAINE, lines.SCREE)), roles.REPLAY_DISK)] if draw.random() < 0.4 else []
        )
    if kind == "replay":
        return [
            (lines.MORAINE, roles.REPLAY_DISK),
            (draw.choice((lines.CORRIE, lines.ESKER)), roles.CAPTURE_MULTI),
            (draw.choice((lines.MORAINE, lines.SCREE)), roles.REPLAY_DISK),
        ]
    return [(draw.choice((lines.CORRIE, lines.TARN)), roles.CAPTURE_MULTI)]


def _fixed(deal: _Deal, number: int, seat: _Seat) -> Drive:
    line, role, host = seat
    share = deal.scale.troubled_share * (1.0 if line.build.medium is Medium.FLASH else 0.4)
    troubled = deal.draw.random() < share
    return _drive(deal, number, line, role, troubled=troubled, places=(host,))


def _travelling(deal: _Deal, hosts: list[Host], number: int) -> list[Drive]:
    draw, scale = deal.draw, deal.scale
    names = [h.host_id for h in hosts if h.host_id.startswith(("cart", "edit", "capture"))]
    stock: list[tuple[Line, StudioRole]] = [
        *[(lines.TARN, roles.SHUTTLE)] * scale.shuttles,
        *[(lines.GHYLL, roles.CARD)] * scale.cards,
        *[(draw.choice((lines.MORAINE, lines.BECK)), roles.ARCHIVE) for _ in range(scale.archive_disks)],
    ]
    drives: list[Drive] = []
    for offset, (line, role) in enumerate(stock):
        troubled = role is roles.SHUTTLE and draw.random() < 0.15
        seen = sorted(
            {draw.randrange(1, 14), *(draw.randrange(14, 365) for _ in range(draw.randrange(2, 6)))}
        )
        places = tuple(draw.sample(names, min(len(names), 3)))
        drive = _drive(deal, number + offset, line, role, troubled=troubled, places=places)
        drives.append(
            replace(
                drive,
                presence=Presence.TRAVELS,
                seen_days=tuple(seen),
                own_identity=role is not roles.CARD,
            )
        )
    return drives


def _drive(
    deal: _Deal, number: int, line: Line, role: StudioRole, *, troubled: bool, places: tuple[str, ...]
) -> Drive:
    draw = deal.draw
    nature = _nature(deal, number, line, role)
    if troubled:
        nature = befall(draw, deal.spread, nature, line)
    serial = "".join(draw.choice("BCDFGHJKMNPQRSTVWXYZ23456789") for _ in range(11))
    return Drive(
        nature=nature,
        line=line,
        firmware=draw.choice(line.firmwares),
        serial=serial,
        wwn=None if draw.random() < 0.1 else f"{line.oui}{draw.getrandbits(32):08x}",
        asset_tag=f"SG-{1000 + number}",
        role=role,
        presence=Presence.FIXED,
        hosts=places,
        noise=0.018 * deal.spread.noise * math.exp(draw.gauss(0.0, 0.3)),
    )


def _nature(deal: _Deal, number: int, line: Line, role: StudioRole) -> Nature:
    draw = deal.draw
    build = _spread_build(draw, deal.spread, line.build)
    if build.medium is Medium.FLASH and draw.random() < _JUST_ENOUGH_SHARE:
        build = replace(build, direct_rate=role.duty.rate_bytes_per_s * draw.uniform(1.34, 1.5), crowding=0.1)
    low = draw.uniform(0.05, 0.3)
    filling = Filling(
        low=low,
        high=low + draw.uniform(0.05, 0.25),
        period_days=draw.uniform(9, 45),
        phase_days=draw.uniform(0, 45),
    )
    endurance = build.endurance_bytes or 0.0
    return Nature(
        key=f"drive-{number:03d}",
        build=build,
        duty=role.duty,
        link_bytes_per_s=LINK_BYTES_PER_S[line.link],
        filling=filling,
        written_per_day=endurance * draw.uniform(0.05, 0.25) / 365.0 / 1.6 if endurance else 80e9,
        wear_at_start=draw.choice((0.02, 0.1, 0.2, 0.35, 0.5, 0.7)) if endurance else 0.0,
        detour=_detour(draw, line),
        ambient_c=draw.gauss(22.0, 1.2),
        season_c=draw.uniform(0.5, 3.0),
        harmless_reallocated=draw.choice((0,) * 12 + (2, 5, 9)),
        harmless_crc=draw.choice((0,) * 8 + (1, 2)),
    )


def _detour(draw: Random, line: Line) -> tuple[int, int, float] | None:
    """Leave one cased drive in five on a slower port for some days: slower, yet fast enough for its role."""
    if line.link is not lines.Link.USB or draw.random() > 0.2:
        return None
    begin = draw.randrange(30, 320)
    return begin, begin + draw.randrange(2, 15), LINK_BYTES_PER_S[lines.Link.USB_HALF]


def _spread_build(draw: Random, spread: Spread, build: Build) -> Build:
    rate = math.exp(draw.gauss(0.0, 0.05))
    heat = build.heat
    if heat is not None:
        resistance = heat.resistance_c_per_w * (0.85 + 0.3 * draw.random()) * (0.8 + 0.2 * spread.heat)
        heat = replace(heat, resistance_c_per_w=resistance)
    return replace(
        build,
        cache_rate=build.cache_rate * rate,
        direct_rate=build.direct_rate * rate * math.exp(draw.gauss(0.0, 0.04)),
        static_cache_bytes=build.static_cache_bytes * spread.cache,
        free_cache_share=build.free_cache_share * spread.cache,
        crowding=build.crowding * spread.crowding,
        heat=heat,
    )
