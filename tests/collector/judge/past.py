"""Builds pasts for the judge's tests: invented drives with the figures a test is about, and nothing else."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from ebbmark_agent.evidence.demand import Stream
from ebbmark_agent.evidence.formats import RateNature, RecordingFormat
from ebbmark_agent.evidence.roles import Cadence, Role, RoleKind
from ebbmark_agent.evidence.standing import Fit, HowLong, MinutesKind, Reason, ReasonCode
from ebbmark_agent.evidence.standing import Standing as Word
from ebbmark_agent.report import FileLayout, HealthState, ProbeKind, ProbeOutcome
from ebbmark_collector.judge.history import (
    Assignment,
    HealthPoint,
    PathNow,
    ProbePoint,
    SubjectFacts,
    SubjectHistory,
)
from ebbmark_collector.roles import DriveRole, Watch

NOW = datetime(2031, 6, 1, 6, tzinfo=UTC)
MB = 1e6  # [bytes]
PATH = "nvme/direct//gen4x4"


def days_ago(days: float) -> datetime:
    """Give the instant that lies so many days before NOW."""
    return NOW - timedelta(days=days)


def a_role(
    *,
    rate: float = 200 * MB,
    headroom: float = 1.2,
    kind: RoleKind = RoleKind.RECORDER,
    watch: Watch | None = None,
    **changes: Any,
) -> DriveRole:
    """Give a recorder role of one plain stream; 200 MB/s, 240 asked, unless said otherwise."""
    stream = RecordingFormat(
        name="plain",
        label="plain stream",
        mean_bytes_per_s=rate,
        nature=RateNature.CONSTANT,
        source="invented",
    )
    role = Role(
        name="lane-recorder",
        label="lane recorder",
        kind=kind,
        streams=(Stream(format=stream),),
        headroom=headroom,
        cadence=Cadence(soak_every_days=30.0),
    )
    return DriveRole.of(replace(role, **changes), watch)


def a_fit(role: DriveRole, floor: float, *, word: Word | None = None) -> Fit:
    """Give what the evidence package says of a whole-medium soak with this floor."""
    assert role.demand is not None
    if word is None:
        word = Word.FIT if floor >= role.demand.demand_bytes_per_s else Word.MARGINAL
        word = Word.UNFIT if floor < role.demand.rate_bytes_per_s else word
    long = HowLong(kind=MinutesKind.UNLIMITED if word is Word.FIT else MinutesKind.LOST_AFTER, minutes=None)
    return Fit(
        standing=word,
        demand=role.demand,
        floor_bytes_per_s=floor,
        from_rest=long,
        whole_medium=long,
        reach=None,
        reasons=(Reason(code=ReasonCode.CARRIES_DEMAND, sentence=f"Floor {floor / MB:.0f} MB/s."),),
    )


def a_probe(kind: ProbeKind, at: datetime, floor: float | None, **changes: Any) -> ProbePoint:
    """Give one completed probe."""
    point = ProbePoint(
        probe_id=f"{kind}-{at.isoformat()}",
        kind=kind,
        outcome=ProbeOutcome.COMPLETED,
        at=at,
        duration_s=10.0 if kind is ProbeKind.SPOT else 1800.0,
        bytes_written=1_000_000_000 if kind is ProbeKind.SPOT else 400_000_000_000,
        path_key=PATH,
        layout=FileLayout.PREALLOCATED,
        floor_bytes_per_s=floor,
    )
    return replace(point, **changes)


def a_soak(
    role: DriveRole, days: float, floor: float, *, word: Word | None = None, **changes: Any
) -> ProbePoint:
    """Give a soak so many days ago, judged for the role."""
    return a_probe(ProbeKind.SOAK, days_ago(days), floor, fit=a_fit(role, floor, word=word), **changes)


def a_spot(days: float, floor: float, **changes: Any) -> ProbePoint:
    """Give a spot so many days ago."""
    return a_probe(ProbeKind.SPOT, days_ago(days), floor, **changes)


def spots(floors: Sequence[float], *, until: float = 0.0, **changes: Any) -> tuple[ProbePoint, ...]:
    """Give a spot a day, oldest first, the last of them `until` days ago."""
    count = len(floors)
    return tuple(a_spot(until + count - 1 - i, floor, **changes) for i, floor in enumerate(floors))


def a_health(days: float, **changes: Any) -> HealthPoint:
    """Give one health read so many days ago."""
    return HealthPoint(at=days_ago(days), state=HealthState.READ, **changes)


def a_past(
    *probes: ProbePoint, facts: dict[str, Any] | None = None, confirmed: bool = True, **parts: Any
) -> SubjectHistory:
    """Give the past of one fixed drive that was seen an hour ago."""
    known = SubjectFacts(
        subject_id="drive-1",
        asset_tag="LANE-07",
        model="Fjell Q2",
        path=PathNow(key=PATH),
        capacity_bytes=1_000_000_000_000,
        first_seen_at=days_ago(400),
        last_seen_at=NOW - timedelta(hours=1),
        last_host="edit-3",
        last_place="Room 2",
        host_heard_at=NOW - timedelta(hours=1),
    )
    return SubjectHistory.of(
        replace(known, **(facts or {})),
        assignment=Assignment(role_name="lane-recorder", since=days_ago(400), confirmed=confirmed),
        probes=probes,
        **parts,
    )
