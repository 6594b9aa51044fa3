"""What is in force for one host: holds, hours, the role of each subject on it, probes asked for.

The document changes at most once an hour by itself, so an agent that asks often is told that nothing changed.
"""

import json
from datetime import datetime, timedelta
from fnmatch import fnmatchcase

from ebbmark_agent.report import Hold, Orders, ProbeHours, ProbeKind, ProbeOrder, SubjectOrder

from ebbmark_collector.intake.rulebook import Rulebook, candidate_of
from ebbmark_collector.roles import DriveRole
from ebbmark_collector.store import Row, Tx, drives, from_ms, rules, to_ms

_VALID_FOR = timedelta(hours=25)
_SECONDS_A_DAY = 86_400.0
_MOST_NAMES = 8  # [1] as the wire allows


def applies_to(hold: Row, host_name: str) -> bool:
    """Tell whether a hold's pattern takes in a host; case does not matter."""
    return fnmatchcase(host_name.casefold(), hold["host_pattern"].casefold())


def _names(tx: Tx, drive_id: str) -> tuple[str, ...]:
    own = [name for name in drives.names_of(tx, drive_id) if not name.startswith(("seen:", "array:"))]
    return tuple(own[:_MOST_NAMES])


def _volume_id(drive: Row) -> str | None:
    writable = [volume for volume in json.loads(drive["volumes_json"]) if not volume.get("read_only")]
    largest = max(writable, key=lambda volume: volume["size_bytes"], default=None)
    return largest["volume_id"] if largest else None


def _soak_every_days(drive: Row, role: DriveRole) -> float | None:
    """Give how long after its last soak a drive is due [days]: as ordered, or sooner where the judge asks."""
    usual = role.role.cadence.soak_every_days
    return min(usual, drive["soak_every_days"]) if usual is not None and drive["soak_every_days"] else usual


def _subject(tx: Tx, drive: Row, role: DriveRole) -> SubjectOrder:
    cadence = role.role.cadence
    soak_days = _soak_every_days(drive, role)
    return SubjectOrder(
        drive_names=_names(tx, drive["drive_id"]) if drive["kind"] == "drive" else (),
        volume_id=_volume_id(drive),
        role=role.name,
        recorder=role.is_recorder,
        buffer_s=role.role.buffer_s,
        rate_bytes_per_s=role.demand.rate_bytes_per_s if role.demand else 0.0,
        spot_every_s=cadence.spot_every_s,
        spot_bytes=cadence.spot_bytes,
        soak_every_s=None if soak_days is None else soak_days * _SECONDS_A_DAY,
        rated_endurance_bytes=drive["rated_endurance_bytes"],
        wear_share_a_year=cadence.wear_share_a_year,
    )


def _asked(tx: Tx, host_id: str, now_ms: int) -> list[ProbeOrder]:
    return [
        ProbeOrder(
            order_id=row["order_id"],
            drive_names=_names(tx, row["drive_id"]),
            volume_id=_volume_id(row),
            kind=ProbeKind(row["kind"]),
            not_before=from_ms(row["not_before_ms"]),
            ends_at=from_ms(row["ends_ms"]),
            max_bytes=row["max_bytes"],
        )
        for row in rules.open_probe_orders(tx, host_id, now_ms)
    ]


def _role_now(drive: Row, host: Row, book: Rulebook) -> DriveRole | None:
    """Give the role the rules hand a drive now, which the next round will write into its row."""
    found = book.assign(candidate_of(drive, host["name"]))
    return book.role(found[1]) if found else None


def orders_for(tx: Tx, host: Row, book: Rulebook, now: datetime) -> Orders:
    """Put together all that is in force for one host."""
    issued_at = now.replace(minute=0, second=0, microsecond=0)
    holds = [
        Hold(
            hold_id=row["hold_id"],
            starts_at=from_ms(row["starts_ms"]),
            ends_at=from_ms(row["ends_ms"]),
            reason=row["reason"],
        )
        for row in rules.holds_ahead(tx, to_ms(now))
        if applies_to(row, host["name"])
    ]
    subjects = [
        _subject(tx, drive, role)
        for drive in drives.drives_on(tx, host["host_id"])
        if drive["retired_ms"] is None and (role := _role_now(drive, host, book)) is not None
    ]
    return Orders(
        host_id=host["host_id"],
        issued_at=issued_at,
        valid_until=issued_at + _VALID_FOR,
        probing_enabled=bool(host["probing_enabled"]),
        show=bool(host["show_mode"]),
        probe_hours=tuple(
            ProbeHours.model_validate_json(json.dumps(hours))
            for hours in json.loads(host["probe_hours_json"])
        ),
        holds=tuple(holds[:64]),
        subjects=tuple(subjects[:1024]),
        probes=tuple(_asked(tx, host["host_id"], to_ms(now))[:64]),
    )
