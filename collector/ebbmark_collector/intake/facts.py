"""What each kind of report leaves in the store, besides itself."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ebbmark_agent.report import (
    DriveFacts,
    FindingBody,
    HealthBody,
    HealthReading,
    InventoryBody,
    PathFacts,
    ProbeBody,
    Report,
    StatusBody,
    Subject,
    TakeBody,
    VolumeFacts,
)
from pydantic_core import from_json

from ebbmark_collector.intake.naming import (
    array_name,
    find_or_add,
    identity_columns,
    seen_name,
    subject_drive,
)
from ebbmark_collector.intake.points import figure_columns, figures_of
from ebbmark_collector.intake.sheaf import Sheaf
from ebbmark_collector.store import Tx, Value, drives, evidence, hosts, rules, to_ms


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrival:
    """A report with the instants it is filed under.

    Attributes:
        made_ms: When it was made, never after it came in [ms].
        shift_ms: How far the host's clock was ahead: taken off every instant in the report [ms].
    """

    report: Report
    made_ms: int
    received_ms: int
    shift_ms: int

    @classmethod
    def of(cls, report: Report, received_at: datetime) -> "Arrival":
        """File a report; a clock that runs ahead is set right, a late report is simply late."""
        received_ms, made_ms = to_ms(received_at), to_ms(report.made_at)
        shift_ms = max(0, made_ms - received_ms)
        return cls(report=report, made_ms=made_ms - shift_ms, received_ms=received_ms, shift_ms=shift_ms)

    def ms(self, instant: datetime) -> int:
        """Give an instant of this report on the collector's clock [ms]."""
        return min(to_ms(instant) - self.shift_ms, self.received_ms)


def path_columns(path: PathFacts) -> dict[str, Value]:
    """Give the columns a path fills."""
    return {"path_key": path.key(), "path_json": path.model_dump_json(exclude_none=True)}


def _volume_list(volumes: list[VolumeFacts]) -> str:
    return json.dumps([volume.model_dump(mode="json", exclude_none=True) for volume in volumes])


def _take_drive(tx: Tx, arrival: Arrival, facts: DriveFacts, volumes: list[VolumeFacts]) -> str:
    host_id = arrival.report.host_id
    names = facts.identity.names()
    if not names:
        volume_id = volumes[0].volume_id if facts.removable and volumes else None
        names = (seen_name(host_id, facts.ref, volume_id),)
    columns: dict[str, Value] = {
        **identity_columns(facts.identity),
        **path_columns(facts.path),
        "kind": "drive",
        "capacity_bytes": facts.capacity_bytes,
        "rotational": None if facts.rotational is None else int(facts.rotational),
        "trim": None if facts.trim is None else int(facts.trim),
        "removable": int(facts.removable),
        "system_drive": int(facts.system_drive),
        "host_id": host_id,
        "ref": facts.ref,
        "bus": facts.path.bus.value,
        "volumes_json": _volume_list(volumes),
        "inventory_ms": arrival.made_ms,
    }
    presence = "comes_and_goes" if facts.removable else "fixed"
    found, fresh = find_or_add(tx, names, now_ms=arrival.made_ms, columns={**columns, "presence": presence})
    if not fresh:
        row = drives.drive(tx, found)
        if row is not None and (row["inventory_ms"] is None or row["inventory_ms"] <= arrival.made_ms):
            first_look = row["inventory_ms"] is None  # a probe or health report came before any inventory
            drives.update_drive(
                tx,
                found,
                {
                    **columns,
                    **({"presence": presence} if first_look else {}),
                    "last_seen_ms": max(row["last_seen_ms"], arrival.made_ms),
                },
            )
    return found


def _take_array(
    tx: Tx, arrival: Arrival, volume: VolumeFacts, by_ref: dict[str, tuple[DriveFacts, str]]
) -> str:
    members = [by_ref[ref] for ref in volume.member_refs if ref in by_ref]
    host_id = arrival.report.host_id
    name = array_name(host_id, volume.volume_id, [facts.identity for facts, _ in members])
    columns: dict[str, Value] = {
        "kind": "array",
        "confidence": "own" if name.count(":") == 1 else "none",
        "model": f"array of {len(members)} drives",
        "capacity_bytes": volume.size_bytes,
        "removable": 0,
        "host_id": host_id,
        "ref": volume.volume_id[:64],
        "volumes_json": _volume_list([volume]),
        "members_json": json.dumps([drive_id for _, drive_id in members]),
    }
    found, fresh = find_or_add(tx, (name,), now_ms=arrival.made_ms, columns={**columns, "presence": "fixed"})
    if not fresh:
        drives.update_drive(tx, found, {**columns, "last_seen_ms": arrival.made_ms})
    return found


def take_inventory(tx: Tx, arrival: Arrival, body: InventoryBody) -> list[str]:
    """Note a machine, its drives and its arrays; an older inventory than the last changes nothing.

    Returns:
        The drives it names.
    """
    report = arrival.report
    last_ms = hosts.last_subject_report_ms(tx, report.host_id, "inventory")
    if last_ms is not None and last_ms > arrival.made_ms:
        return []
    hosts.set_inventory(
        tx,
        host_id=report.host_id,
        name=body.host_name,
        system=body.system,
        writes_allowed=body.writes_allowed,
        inventory_json=json.dumps({"made_ms": arrival.made_ms, "remarks": list(body.remarks)}),
    )
    touched: list[str] = []
    by_ref: dict[str, tuple[DriveFacts, str]] = {}
    for facts in body.drives:
        on_it = [volume for volume in body.volumes if facts.ref in volume.member_refs]
        drive_id = _take_drive(tx, arrival, facts, on_it)
        by_ref[facts.ref] = (facts, drive_id)
        touched.append(drive_id)
    touched += [
        _take_array(tx, arrival, volume, by_ref)
        for volume in body.volumes
        if len([ref for ref in volume.member_refs if ref in by_ref]) > 1
    ]
    drives.claim(tx, host_id=report.host_id, drive_ids=touched, made_ms=arrival.made_ms)
    return touched


def _subject(tx: Tx, arrival: Arrival, subject: Subject) -> str:
    return subject_drive(tx, subject, host_id=arrival.report.host_id, now_ms=arrival.made_ms)


def take_health(sheaf: Sheaf, arrival: Arrival, body: HealthBody) -> tuple[str, bool]:
    """Note one read of a drive's health.

    Returns:
        The drive, and whether the read says anything that must be judged at once.
    """
    drive = sheaf.drive_of(body.subject, host_id=arrival.report.host_id, now_ms=arrival.made_ms)
    reading: HealthReading = body.reading
    text = reading.model_dump_json(exclude_defaults=True, exclude={"vendor", "sources"})
    before, after = drive.health, from_json(text)
    columns: dict[str, Value] = {
        "read_ms": arrival.ms(reading.read_at),
        "state": reading.state.value,
        "temperature_c": reading.temperature_c,
        "percentage_used": reading.percentage_used,
        "available_spare_percent": reading.available_spare_percent,
        "written_bytes": reading.written_bytes,
        "power_on_hours": reading.power_on_hours,
        "media_errors": reading.media_errors,
        "reallocated_sectors": reading.reallocated_sectors,
        "pending_sectors": reading.pending_sectors,
        "uncorrectable_errors": reading.uncorrectable_errors,
        "interface_crc_errors": reading.interface_crc_errors,
    }
    sheaf.add_health(drive, columns, text, after)
    return drive.drive_id, before is None or not says_nothing_new(before, after)


_JUDGED_AT_ONCE = (
    "state",
    "assessment",
    "percentage_used",
    "available_spare_percent",
    "media_errors",
    "reallocated_sectors",
    "pending_sectors",
    "uncorrectable_errors",
    "interface_crc_errors",
    "critical_temperature_minutes",
    "warning_temperature_minutes",
    "thermal_transitions",
    "critical_warnings",
    "error_log_entries",
)
_WARM_C = 50.0  # [degrees C] below this no drive is too hot, so a change says nothing
_SWING_C = 3.0  # [K] what a warm drive's temperature moves by itself


def says_nothing_new(before: Mapping[str, Any], after: Mapping[str, Any]) -> bool:
    """Tell whether a health read differs from the last only in what raises no alert by itself.

    Hours, bytes written and a few degrees change with every read; the rounds look at them.
    """
    if tuple(map(before.get, _JUDGED_AT_ONCE)) != tuple(map(after.get, _JUDGED_AT_ONCE)):
        return False
    was_c, is_c = before.get("temperature_c"), after.get("temperature_c")
    if was_c is None or is_c is None:
        return was_c is is_c
    return bool(max(was_c, is_c) < _WARM_C or abs(is_c - was_c) < _SWING_C)


def take_probe(tx: Tx, arrival: Arrival, body: ProbeBody) -> str:
    """Note one probe; its trace stays in the report, its figures go beside it."""
    drive_id = _subject(tx, arrival, body.subject)
    result = body.result
    figures = figures_of(result)
    started_ms = arrival.ms(result.started_at)
    columns: dict[str, Value] = {
        "drive_id": drive_id,
        "started_ms": started_ms,
        "probe_id": result.probe_id,
        "report_id": arrival.report.report_id,
        "made_ms": arrival.made_ms,
        "host_id": arrival.report.host_id,
        "volume_id": body.subject.volume_id,
        "kind": result.kind.value,
        "outcome": result.outcome.value,
        "duration_s": result.duration_s,
        "bytes_written": result.bytes_written,
        "read_back_ok": None if result.read_back_ok is None else int(result.read_back_ok),
        "path_key": result.path.key(),
        "layout": result.layout.value,
        "file_system": result.file_system,
        "fill_start": result.fill_start,
        "fill_end": result.fill_end,
        "rest_before_s": result.rest_before_s,
        "temperature_start_c": result.temperature_start_c,
        "temperature_hottest_c": result.temperature_hottest_c,
        "gave_way_to": result.gave_way_to,
        "by_hand": int(result.by_hand),
        "waited_for_data_s": result.waited_for_data_s,
        "fault_sentence": result.drive_fault.sentence if result.drive_fault else None,
        "discard": result.discard.value,
        "space_returned": None if result.space_returned is None else int(result.space_returned),
        **(figure_columns(figures, result.path) if figures else {}),
        "result_json": evidence.pack(result.model_dump_json(exclude={"trace"}, exclude_defaults=True)),
    }
    if evidence.add_probe(tx, columns):
        drives.note_probe(tx, drive_id, started_ms=started_ms)
        rules.probe_order_done(
            tx, drive_id, kind=result.kind.value, probe_id=result.probe_id, now_ms=started_ms
        )
    return drive_id


def take_take(tx: Tx, arrival: Arrival, body: TakeBody) -> str:
    """Note one real recording."""
    drive_id = _subject(tx, arrival, body.subject)
    take = body.take
    columns: dict[str, Value] = {
        "drive_id": drive_id,
        "started_ms": arrival.ms(take.started_at),
        "take_id": take.take_id,
        "report_id": arrival.report.report_id,
        "host_id": arrival.report.host_id,
        "duration_s": take.duration_s,
        "written_bytes": take.written_bytes,
        "mean_bytes_per_s": take.mean_bytes_per_s,
        "peak_bytes_per_s": take.peak_bytes_per_s,
        "busy_share": take.busy_share,
        "saturated": int(take.saturated),
        "saturated_floor_bytes_per_s": take.saturated_floor_bytes_per_s,
        "path_key": take.path.key(),
        "take_json": take.model_dump_json(exclude_none=True),
    }
    evidence.add_take(tx, columns)
    return drive_id


def take_finding(tx: Tx, arrival: Arrival, body: FindingBody) -> str:
    """Note a finding; it is kept for good."""
    drive_id = _subject(tx, arrival, body.subject)
    columns: dict[str, Value] = {
        "drive_id": drive_id,
        "found_ms": arrival.ms(body.finding.found_at),
        "report_id": arrival.report.report_id,
        "host_id": arrival.report.host_id,
        "code": body.finding.code,
        "finding_json": body.finding.model_dump_json(exclude_none=True),
    }
    evidence.add_finding(tx, columns)
    return drive_id


def take_status(tx: Tx, arrival: Arrival, body: StatusBody) -> None:
    """Note a sign of life and which holds a host confirms."""
    report = arrival.report
    last_ms = hosts.last_subject_report_ms(tx, report.host_id, "status")
    for hold_id in body.holds_in_force:
        rules.confirm_hold(tx, hold_id=hold_id, host_id=report.host_id, now_ms=arrival.made_ms)
    if last_ms is not None and last_ms > arrival.made_ms:
        return
    for consent in body.consents:
        since = consent.no_safe_moment_since
        drives.update_drive(
            tx,
            _subject(tx, arrival, consent.subject),
            {
                "consent_json": consent.model_dump_json(exclude={"subject"}, exclude_none=True),
                "no_safe_moment_ms": None if since is None else arrival.ms(since),
            },
        )
    hosts.set_status(
        tx,
        host_id=report.host_id,
        on_air=body.on_air,
        clock_offset_s=body.clock_offset_s,
        status_json=body.model_dump_json(exclude_none=True),
    )
