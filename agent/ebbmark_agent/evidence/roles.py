"""Roles: what a drive is for, with its thresholds and where each of them comes from.

Texts and plain tables are handed in; nothing here opens a file. `demand_of(role)` gives what the role
asks of a drive's writing, `read_demand_of(role)` what it asks of its reading.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from ebbmark_agent.evidence.definition_file import Definition, Table, read_definition
from ebbmark_agent.evidence.demand import Demand, Seams, Side, Slots, Stream, demand_of_streams
from ebbmark_agent.evidence.formats import Formats, UnknownFormat

ROLES_FILE = "roles.toml"  # ships in this package; read it with importlib.resources and hand the text in
ROLES_VERSION = 1


class RoleKind(StrEnum):
    """What kind of trouble a bad drive makes: a lost take, a stuttering edit or slow copy, or a nuisance."""

    RECORDER = "recorder"
    WORKING = "working"
    SYSTEM = "system"


@dataclass(frozen=True, kw_only=True)
class Cadence:
    """How often a role's drives are probed.

    Attributes:
        spot_every_s: Time between spot probes [s].
        spot_bytes: What a spot writes [bytes].
        soak_every_days: Time between soaks [days]; None: only when a person asks.
        wear_share_a_year: Share of the rated endurance that probes may use in a year [1].
    """

    spot_every_s: float = 86_400.0
    spot_bytes: int = 512_000_000
    soak_every_days: float | None = None
    wear_share_a_year: float = 0.01


@dataclass(frozen=True, kw_only=True)
class Role:
    """What a drive is for.

    Attributes:
        name: The name it is assigned by.
        label: The role in words.
        kind: What kind of trouble a bad drive makes.
        streams: What is written at once; empty where writing is not asked for.
        read_streams: What is played back at once; empty where reading is not asked for.
        headroom: Factor on top of the rate [1].
        buffer_s: Seconds of stream the recorder or player holds [s].
        take_s: The longest take [s], a relaxation; None: the whole medium is filled.
        rest_before_take_s: Rest before every take [s], a relaxation; None: takes back to back.
        seams: How clips are cut, if they are.
        slots: How the recorder uses its media.
        validity_days: How long a soak speaks for a drive [days].
        wear_limit_percent: Percentage used from which a drive leaves this role [%].
        hot_c: Temperature from which a drive is too hot for this role [degrees C].
        fill_limit: Used share from which the volume is nearly full for this role [1].
        margin_thin: A margin below this is thin [1].
        cadence: How often it is probed.
        sources: Where each threshold comes from, by its key.
    """

    name: str
    label: str
    kind: RoleKind
    streams: tuple[Stream, ...] = ()
    read_streams: tuple[Stream, ...] = ()
    headroom: float = 1.2
    buffer_s: float = 1.0
    take_s: float | None = None
    rest_before_take_s: float | None = None
    seams: Seams | None = None
    slots: Slots = Slots.SINGLE
    validity_days: float = 90.0
    wear_limit_percent: float = 100.0
    hot_c: float | None = None
    fill_limit: float = 0.9
    margin_thin: float = 0.1
    cadence: Cadence = field(default_factory=Cadence)
    sources: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_recorder(self) -> bool:
        """Tell whether a dip on this drive loses footage."""
        return self.kind is RoleKind.RECORDER


@dataclass(frozen=True, kw_only=True)
class Roles:
    """The roles in force."""

    roles: Mapping[str, Role]

    def __iter__(self) -> Iterator[Role]:
        """Give every role in the order of the file."""
        return iter(self.roles.values())

    def __len__(self) -> int:
        """Count the roles."""
        return len(self.roles)

    def get(self, name: str) -> Role | None:
        """Give the role of this name, or None."""
        return self.roles.get(name.strip().lower())


def demand_of(role: Role) -> Demand | None:
    """Give what a role asks of a drive's writing.

    Returns:
        The demand, or None for a role that asks for no write rate (a system drive, a playback drive).
    """
    return _demand(role, role.streams, Side.WRITE)


def read_demand_of(role: Role) -> Demand | None:
    """Give what a role asks of a drive's reading, or None where it asks for none."""
    return _demand(role, role.read_streams, Side.READ)


def _demand(role: Role, streams: tuple[Stream, ...], side: Side) -> Demand | None:
    if not streams:
        return None
    return demand_of_streams(
        streams,
        name=role.name,
        headroom=role.headroom,
        buffer_s=role.buffer_s,
        side=side,
        take_s=role.take_s,
        rest_before_take_s=role.rest_before_take_s,
        seams=role.seams if side is Side.WRITE else None,
        slots=role.slots,
    )


def load_roles(text: str, formats: Formats, *, extends: Roles | None = None, what: str = ROLES_FILE) -> Roles:
    """Read a role file.

    Args:
        text: The file's content.
        formats: The formats its streams may name.
        extends: Roles already in force, which this file adds to or overrides by name.
        what: How to call the file in a message.

    Returns:
        The roles, those of `extends` first.

    Raises:
        DefinitionError: With every mistake found: its line, its key and what is legal.
    """
    definition = read_definition(text, what=what)
    top = Table(definition, (), definition.values)
    version = top.whole("version", default=ROLES_VERSION)
    if version != ROLES_VERSION:
        top.fault("version", f"is {version}; this program reads version {ROLES_VERSION}.")
    found: dict[str, Role] = {}
    for table in top.tables("role"):
        role = _role(table, formats)
        if role is not None and role.name in found:
            table.fault("name", f"{role.name} is given twice; give each role once.")
        if role is not None:
            found[role.name] = role
    top.refuse_unknown_keys()
    definition.raise_faults()
    return Roles(roles={**(extends.roles if extends else {}), **found})


def role_from_table(values: Mapping[str, Any], formats: Formats, *, what: str = "the role") -> Role:
    """Read one role from plain values, as stored or as sent in a request; the same keys as in a role file.

    Raises:
        DefinitionError: With every mistake found: its key and what is legal.
    """
    definition = Definition(what=what, values=values)
    role = _role(Table(definition, (), values), formats)
    definition.raise_faults()
    assert role is not None  # a role is only withheld together with a fault
    return role


def _role(table: Table, formats: Formats) -> Role | None:
    sources: dict[str, str] = {}
    name = table.text("name").lower()
    thresholds = _Thresholds(table, sources)
    streams = _streams(table, "streams", formats)
    read_streams = _streams(table, "read_streams", formats)
    role = Role(
        name=name,
        label=table.text("label", default=name),
        kind=RoleKind(table.choice("kind", list(RoleKind))),
        streams=streams,
        read_streams=read_streams,
        headroom=thresholds.get("headroom", default=1.2, least=1, most=10),
        buffer_s=thresholds.get("buffer_s", default=1.0, least=0, most=600),
        take_s=thresholds.optional("take_s", above=0),
        rest_before_take_s=thresholds.optional("rest_before_take_s", above=0),
        seams=_seams(table, thresholds),
        slots=Slots(table.choice("slots", list(Slots), default=Slots.SINGLE)),
        validity_days=thresholds.get("validity_days", default=90.0, above=0, most=3650),
        wear_limit_percent=thresholds.get("wear_limit_percent", default=100.0, above=0, most=255),
        hot_c=thresholds.optional("hot_c", above=0, most=150),
        fill_limit=thresholds.get("fill_limit", default=0.9, above=0, most=1),
        margin_thin=thresholds.get("margin_thin", default=0.1, least=0, most=10),
        cadence=Cadence(
            spot_every_s=thresholds.get("spot_every_h", default=24.0, above=0) * 3600,
            spot_bytes=int(thresholds.get("spot_mbyte", default=512.0, least=1) * 1e6),
            soak_every_days=thresholds.optional("soak_every_days", above=0),
            wear_share_a_year=thresholds.get("wear_share_a_year", default=0.01, above=0, most=1),
        ),
        sources=sources,
    )
    table.refuse_unknown_keys()
    return role if _agrees(table, role) else None


def _agrees(table: Table, role: Role) -> bool:
    """Check what no single key shows: that the parts of a role go together."""
    if role.kind is not RoleKind.SYSTEM and not (table.raw("streams") or table.raw("read_streams")):
        table.fault("streams", "is missing; a recorder or working role states what it writes or reads.")
        return False
    if role.rest_before_take_s is not None and role.take_s is None:
        table.fault(
            "rest_before_take_s", "needs take_s: a rest before takes says nothing without their length."
        )
        return False
    try:
        demand_of(role)
        read_demand_of(role)
    except ValueError as error:
        table.fault("buffer_s", str(error))
        return False
    return True


class _Thresholds:
    """Reads a number that may stand alone or with its source: `{ value = 1.2, source = "..." }`."""

    def __init__(self, table: Table, sources: dict[str, str]) -> None:
        self._table = table
        self._sources = sources

    def get(self, key: str, *, default: float, **bounds: float) -> float:
        if isinstance(self._table.raw(key), Mapping):
            return self._with_source(key, bounds)
        return self._table.number(key, default=default, **bounds)

    def optional(self, key: str, **bounds: float) -> float | None:
        if isinstance(self._table.raw(key), Mapping):
            return self._with_source(key, bounds)
        return self._table.optional_number(key, **bounds)

    def _with_source(self, key: str, bounds: Mapping[str, float]) -> float:
        inner = self._table.table(key)
        assert inner is not None  # only called for a table
        self._sources[key] = inner.text("source")
        value = inner.number("value", **bounds)
        inner.refuse_unknown_keys()
        return value


def _seams(table: Table, thresholds: _Thresholds) -> Seams | None:
    every_s = thresholds.optional("seam_every_s", above=0)
    pause_s = thresholds.optional("seam_pause_s", least=0)
    if every_s is None and pause_s is None:
        return None
    if every_s is None or pause_s is None:
        missing = "seam_every_s" if every_s is None else "seam_pause_s"
        table.fault(missing, "is missing; seam_every_s and seam_pause_s go together.")
        return None
    try:
        return Seams(every_s=every_s, pause_s=pause_s)
    except ValueError as error:
        table.fault("seam_pause_s", str(error))
        return None


def _streams(table: Table, key: str, formats: Formats) -> tuple[Stream, ...]:
    found = []
    for entry in table.tables(key):
        name = entry.text("format")
        count = entry.whole("count", default=1, most=1000)
        part = entry.text("part", default="main")
        entry.refuse_unknown_keys()
        try:
            found.append(Stream(format=formats.find(name), count=count, part=part))
        except UnknownFormat as error:
            entry.fault("format", str(error))
        except ValueError as error:
            entry.fault("format", str(error))
    return tuple(found)


def role_to_table(role: Role) -> dict[str, Any]:
    """Write a role as the plain values `role_from_table` reads; thresholds carry their source where known."""
    plain: dict[str, Any] = {
        "name": role.name,
        "label": role.label,
        "kind": role.kind.value,
        "slots": role.slots.value,
        "streams": [_stream_table(each) for each in role.streams],
        "read_streams": [_stream_table(each) for each in role.read_streams],
    }
    numbers: dict[str, float | None] = {
        "headroom": role.headroom,
        "buffer_s": role.buffer_s,
        "take_s": role.take_s,
        "rest_before_take_s": role.rest_before_take_s,
        "seam_every_s": role.seams.every_s if role.seams else None,
        "seam_pause_s": role.seams.pause_s if role.seams else None,
        "validity_days": role.validity_days,
        "wear_limit_percent": role.wear_limit_percent,
        "hot_c": role.hot_c,
        "fill_limit": role.fill_limit,
        "margin_thin": role.margin_thin,
        "spot_every_h": role.cadence.spot_every_s / 3600,
        "spot_mbyte": role.cadence.spot_bytes / 1e6,
        "soak_every_days": role.cadence.soak_every_days,
        "wear_share_a_year": role.cadence.wear_share_a_year,
    }
    for key, value in numbers.items():
        if value is not None:
            source = role.sources.get(key)
            plain[key] = value if source is None else {"value": value, "source": source}
    return plain


def _stream_table(stream: Stream) -> dict[str, Any]:
    return {"format": stream.format.name, "count": stream.count, "part": stream.part}
