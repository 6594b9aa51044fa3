"""A subject's past as the judge reads it, put together from the store's rows."""

import json
import sys
from datetime import datetime, timedelta

from ebbmark_agent.report import (
    Bus,
    DiscardState,
    FileLayout,
    HealthReading,
    IdentityConfidence,
    ProbeKind,
    ProbeOutcome,
)
from pydantic import TypeAdapter

from ebbmark_collector.intake.kept import Kept
from ebbmark_collector.judge.history import (
    HEALTH_WINDOW_DAYS,
    SPOT_WINDOW_DAYS,
    Assignment,
    FindingPoint,
    HealthPoint,
    Incident,
    PathNow,
    Presence,
    ProbePoint,
    Siblings,
    SubjectFacts,
    SubjectHistory,
    TakePoint,
)
from ebbmark_collector.store import Row, Tx, Value, drives, evidence, from_ms, judgement, to_ms

_READING: TypeAdapter[HealthReading] = TypeAdapter(HealthReading)
_TAKE_WINDOW = timedelta(days=365)
_POINTS_KEPT = 60_000  # [1] probes, some 50 MB: the windows of 300 drives; of more, 300 are kept
_READS_KEPT = 120_000  # [1] days of health, some 60 MB: the same


def _at(ms: int | None) -> datetime | None:
    return None if ms is None else from_ms(ms)


def _truth(value: int | None) -> bool | None:
    return None if value is None else bool(value)


# Points by drive, then by mark. A point never changes, a drive id never comes twice: whoever finds one here
# may use it; a year of them is looked at each day.
_PROBES = Kept[tuple[Value, ...], ProbePoint](_POINTS_KEPT)
_HEALTH = Kept[tuple[int], HealthPoint](_READS_KEPT)
_FEW = 8  # [1] unknown probes fetched one by one; more are fetched in one go


def _probe_points(tx: Tx, drive_id: str, *, since_ms: int) -> tuple[ProbePoint, ...]:
    def fetch(unknown: list[tuple[Value, ...]]) -> dict[tuple[Value, ...], ProbePoint]:
        if len(unknown) > _FEW:
            rows = evidence.probes_of(tx, drive_id, since_ms=since_ms)
        else:
            rows = [
                evidence.probe_of(tx, drive_id, started_ms=mark[1], probe_id=mark[0])  # type: ignore[arg-type]
                for mark in unknown
            ]
        return {tuple(row.values())[:4]: probe_point(row) for row in rows}

    return _PROBES.series(drive_id, evidence.probe_marks(tx, drive_id, since_ms=since_ms), fetch)


def _health_points(tx: Tx, drive_id: str, *, since_ms: int) -> tuple[HealthPoint, ...]:
    def fetch(unknown: list[tuple[int]]) -> dict[tuple[int], HealthPoint]:
        rows = evidence.health_since(tx, drive_id, since_ms=min(unknown)[0])
        return {(row["read_ms"],): health_point(row) for row in rows}

    return _HEALTH.series(drive_id, evidence.health_marks(tx, drive_id, since_ms=since_ms), fetch)


def probe_point(row: Row) -> ProbePoint:
    """Give a stored probe as a point of the judge's series."""
    return ProbePoint(
        probe_id=row["probe_id"],
        kind=ProbeKind(row["kind"]),
        outcome=ProbeOutcome(row["outcome"]),
        at=from_ms(row["started_ms"]),
        duration_s=row["duration_s"],
        bytes_written=row["bytes_written"],
        path_key=row["path_key"],
        layout=FileLayout(row["layout"]),
        floor_bytes_per_s=row["floor_bytes_per_s"],
        lasting_bytes_per_s=row["lasting_bytes_per_s"],
        mean_bytes_per_s=row["mean_bytes_per_s"],
        cliff_at_bytes=None if row["cliff_at_bytes"] is None else round(row["cliff_at_bytes"]),
        cliff_floor_bytes_per_s=row["cliff_floor_bytes_per_s"],
        settled=bool(row["settled"]),
        spread=row["spread"],
        longest_stall_s=row["longest_stall_s"],
        stall_count=row["stall_count"],
        path_limited=bool(row["path_limited"]),
        fill_start=row["fill_start"],
        rest_before_s=row["rest_before_s"],
        temperature_start_c=row["temperature_start_c"],
        temperature_hottest_c=row["temperature_hottest_c"],
        waited_for_data_s=row["waited_for_data_s"],
        pattern=row["pattern"],
        read_back_ok=_truth(row["read_back_ok"]),
        fault_sentence=row["fault_sentence"],
        discard=DiscardState(row["discard"]),
        space_returned=_truth(row["space_returned"]),
        by_hand=bool(row["by_hand"]),
        fit=judgement.FIT.validate_json(evidence.unpack(row["fit_json"])) if row["fit_json"] else None,
    )


def health_point(row: Row) -> HealthPoint:
    """Give a stored day of health as a point of the judge's series."""
    reading = _READING.validate_json(evidence.unpack(row["reading"]))
    return HealthPoint(
        at=from_ms(row["read_ms"]),
        state=reading.state,
        sentence=sys.intern(reading.sentence),
        assessment=reading.assessment,
        temperature_c=reading.temperature_c,
        percentage_used=reading.percentage_used,
        available_spare_percent=reading.available_spare_percent,
        available_spare_threshold_percent=reading.available_spare_threshold_percent,
        written_bytes=reading.written_bytes,
        power_on_hours=reading.power_on_hours,
        media_errors=reading.media_errors,
        reallocated_sectors=reading.reallocated_sectors,
        pending_sectors=reading.pending_sectors,
        uncorrectable_errors=reading.uncorrectable_errors,
        interface_crc_errors=reading.interface_crc_errors,
        warning_temperature_minutes=reading.warning_temperature_minutes,
        critical_temperature_minutes=reading.critical_temperature_minutes,
        thermal_transitions=reading.thermal_transitions,
        critical_warnings=reading.critical_warnings,
    )


def _take_point(row: Row) -> TakePoint:
    return TakePoint(
        take_id=row["take_id"],
        at=from_ms(row["started_ms"]),
        duration_s=row["duration_s"],
        written_bytes=row["written_bytes"],
        mean_bytes_per_s=row["mean_bytes_per_s"],
        path_key=row["path_key"],
        saturated=bool(row["saturated"]),
        saturated_floor_bytes_per_s=row["saturated_floor_bytes_per_s"],
    )


def _finding_point(row: Row) -> FindingPoint:
    return FindingPoint(
        code=row["code"], at=from_ms(row["found_ms"]), sentence=json.loads(row["finding_json"])["sentence"]
    )


def _incident(row: Row) -> Incident:
    return Incident(
        incident_id=row["incident_id"],
        happened_at=from_ms(row["happened_ms"]),
        reported_by=row["reported_by"],
        recorder=row["recorder"],
        recording_format=row["recording_format"],
        note=row["sentence"],
    )


def _path_now(row: Row) -> PathNow | None:
    if row["path_json"] is None:
        return None
    path = json.loads(row["path_json"])
    return PathNow(
        key=row["path_key"],
        bus=Bus(path["bus"]) if path.get("bus") else None,
        link_now=path.get("link_now"),
        link_best=path.get("link_best"),
        link_now_bytes_per_s=path.get("link_now_bytes_per_s"),
        link_best_bytes_per_s=path.get("link_best_bytes_per_s"),
    )


def facts_of(tx: Tx, row: Row, host: Row | None) -> SubjectFacts:
    """Give who a subject is and where it was last seen."""
    volumes = json.loads(row["volumes_json"])
    volume = max(volumes, key=lambda v: v["size_bytes"], default=None)
    fill = free = None
    if volume is not None and volume["size_bytes"] > 0:
        free = volume["free_bytes"]
        fill = min(1.0, max(0.0, 1.0 - free / volume["size_bytes"]))
    retired = None
    if row["retired_ms"] is not None:
        retired = row["retired_why"] or "retired"
    return SubjectFacts(
        subject_id=row["drive_id"],
        asset_tag=row["asset_tag"] or row["label"],
        model=row["model"],
        firmware=row["firmware"],
        serial_tail=row["serial"][-4:] if row["serial"] else None,
        confidence=IdentityConfidence(row["confidence"]),
        presence=Presence(row["presence"]),
        capacity_bytes=row["capacity_bytes"],
        rotational=_truth(row["rotational"]),
        removable=bool(row["removable"]),
        trim=_truth(row["trim"]),
        file_system=volume["file_system"] if volume else None,
        fill=fill,
        free_bytes=free,
        path=_path_now(row),
        first_seen_at=_at(row["first_seen_ms"]),
        last_seen_at=_at(row["last_seen_ms"]),
        last_host=host["name"] if host else None,
        last_place=row["place"],
        host_heard_at=_at(host["last_report_ms"]) if host else None,
        rated_endurance_bytes=row["rated_endurance_bytes"],
        erased_at=_at(row["erased_ms"]),
        no_safe_moment_since=_at(row["no_safe_moment_ms"]),
        probing_allowed=bool(host["writes_allowed"]) if host else None,
        duplicate_of=tuple(drives.claimed_at_once(tx, row["drive_id"])),
        retired=retired,
    )


def history_of(
    tx: Tx, row: Row, host: Row | None, now: datetime, *, siblings: Siblings | None = None
) -> SubjectHistory:
    """Give all that the judge looks at of one subject: no more than its windows, so the cost has a bound."""
    drive_id = row["drive_id"]
    spots_since = to_ms(now - timedelta(days=SPOT_WINDOW_DAYS))
    health_since = to_ms(now - timedelta(days=HEALTH_WINDOW_DAYS))
    takes_since = to_ms(now - _TAKE_WINDOW)
    has_takes, has_findings, has_incidents = evidence.reported_on(tx, drive_id)
    takes = evidence.takes_since(tx, drive_id, since_ms=takes_since) if has_takes else []
    findings = evidence.findings_of(tx, drive_id) if has_findings else []
    incidents = evidence.incidents_of(tx, drive_id) if has_incidents else []
    assignment = None
    if row["role"] is not None:
        assignment = Assignment(
            role_name=row["role"], since=from_ms(row["role_since_ms"] or row["first_seen_ms"])
        )
    return SubjectHistory.of(
        facts_of(tx, row, host),
        assignment=assignment,
        probes=_probe_points(tx, drive_id, since_ms=spots_since),
        health=_health_points(tx, drive_id, since_ms=health_since),
        sorted_already=True,
        takes=tuple(_take_point(t) for t in takes),
        findings=tuple(_finding_point(f) for f in findings),
        incidents=tuple(_incident(i) for i in incidents),
        siblings=siblings,
    )
