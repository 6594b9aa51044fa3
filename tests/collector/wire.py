"""Reports for the tests: a machine, a drive, probes of a constant rate, health reads."""

from collections.abc import Sequence
from datetime import datetime
from itertools import count
from typing import Any

from ebbmark_agent.report import (
    Bus,
    DriveFacts,
    DriveIdentity,
    FileLayout,
    FindingBody,
    FindingFacts,
    HealthBody,
    HealthReading,
    HealthState,
    IdentityConfidence,
    InventoryBody,
    MappingCertainty,
    PathFacts,
    ProbeBody,
    ProbeKind,
    ProbeOutcome,
    ProbeResult,
    Report,
    SoakEnd,
    StatusBody,
    Subject,
    TraceDocument,
    VolumeFacts,
    WriteFault,
)

_numbers = count(1)
PATH = PathFacts(bus=Bus.NVME, link_now="PCIe 3.0 x4", link_best="PCIe 3.0 x4")
OWN = DriveIdentity(
    confidence=IdentityConfidence.OWN,
    serial="S1234567",
    model="Invented 2T",
    firmware="1.0",
    wwn="5000c500a1",
)
STEP_BYTES = 8_000_000


def subject(identity: DriveIdentity = OWN, *, ref: str = "d0", volume_id: str | None = "vol-1") -> Subject:
    """A drive with one volume."""
    return Subject(ref=ref, identity=identity, volume_id=volume_id)


def report(body: Any, made_at: datetime, *, host_id: str = "host-1", report_id: str | None = None) -> Report:
    """A report with the next number."""
    number = next(_numbers)
    return Report(
        report_id=report_id or f"report-{number}",
        host_id=host_id,
        agent_version="0.1.0",
        made_at=made_at,
        sequence=number,
        body=body,
    )


def inventory(
    made_at: datetime,
    *,
    identities: Sequence[DriveIdentity] = (OWN,),
    host_id: str = "host-1",
    removable: bool = False,
    path: PathFacts = PATH,
    capacity_bytes: int = 16_000_000_000,
    volume_id: str = "vol-1",
) -> Report:
    """A machine with some drives, each with a volume of its own."""
    drives = tuple(
        DriveFacts(
            ref=f"d{i}",
            identity=identity,
            path=path,
            capacity_bytes=capacity_bytes,
            removable=removable,
            rotational=False,
        )
        for i, identity in enumerate(identities)
    )
    volumes = tuple(
        VolumeFacts(
            volume_id=volume_id if i == 0 else f"{volume_id}-{i}",
            file_system="ext4",
            size_bytes=capacity_bytes,
            free_bytes=capacity_bytes // 2,
            read_only=False,
            certainty=MappingCertainty.CERTAIN,
            member_refs=(f"d{i}",),
        )
        for i in range(len(identities))
    )
    body = InventoryBody(host_name="cut-1", system="Linux", drives=drives, volumes=volumes)
    return report(body, made_at, host_id=host_id)


def probe(
    at: datetime,
    rate_bytes_per_s: float,
    *,
    kind: ProbeKind = ProbeKind.SPOT,
    steps: int = 256,
    outcome: ProbeOutcome = ProbeOutcome.COMPLETED,
    read_back_ok: bool | None = True,
    host_id: str = "host-1",
    on: Subject | None = None,
    path: PathFacts = PATH,
    fault: WriteFault | None = None,
) -> Report:
    """A probe of one constant rate."""
    step_us = round(STEP_BYTES / rate_bytes_per_s * 1e6)
    result = ProbeResult(
        probe_id=f"probe-{next(_numbers)}",
        kind=kind,
        started_at=at,
        duration_s=steps * step_us / 1e6,
        outcome=outcome,
        bytes_written=steps * STEP_BYTES,
        block_bytes=STEP_BYTES,
        layout=FileLayout.APPENDED,
        file_system="ext4",
        path=path,
        trace=(TraceDocument(step_us=(step_us,) * steps, step_bytes=(STEP_BYTES,) * steps),),
        read_back_ok=read_back_ok,
        fault=fault,
        soak_end=SoakEnd.WHOLE_MEDIUM if kind is ProbeKind.SOAK else None,
        gave_way_to="a recording" if outcome is ProbeOutcome.GAVE_WAY else None,
        fill_start=0.0 if kind is ProbeKind.SOAK else 0.5,
        fill_end=1.0 if kind is ProbeKind.SOAK else 0.5,
    )
    return report(ProbeBody(subject=on or subject(), result=result), at, host_id=host_id)


def soak(at: datetime, rate_bytes_per_s: float, *, steps: int = 2_000, **more: Any) -> Report:
    """A soak of one constant rate over the whole medium."""
    return probe(at, rate_bytes_per_s, kind=ProbeKind.SOAK, steps=steps, **more)


def health(at: datetime, *, host_id: str = "host-1", on: Subject | None = None, **values: Any) -> Report:
    """A health read."""
    values = {"temperature_c": 35.0, "written_bytes": 10**12, "media_errors": 0, **values}
    reading = HealthReading(read_at=at, state=HealthState.READ, sentence="read", **values)
    return report(HealthBody(subject=on or subject(), reading=reading), at, host_id=host_id)


def status(at: datetime, *, host_id: str = "host-1", **values: Any) -> Report:
    """A sign of life."""
    return report(StatusBody(**values), at, host_id=host_id)


def finding(at: datetime, *, code: str = "left_over_removed") -> Report:
    """A finding."""
    return report(
        FindingBody(
            subject=subject(), finding=FindingFacts(code=code, found_at=at, sentence="It was removed.")
        ),
        at,
    )
