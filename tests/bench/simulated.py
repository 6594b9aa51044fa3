"""Simulated agents: who they are, and their reports as bytes, quickly made and no two alike.

The mix is 24 NVMe health reports to one spot probe of 256 points. Health is a quiet drive's: hours and bytes
written grow, nothing else does. A spot's block times vary as those of a real drive do.
"""

import hashlib
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from ebbmark_agent.report import (
    Assessment,
    Bus,
    DiscardState,
    DriveFacts,
    DriveIdentity,
    FileLayout,
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
    Subject,
    TraceDocument,
    VolumeFacts,
)

HEALTH_A_SPOT = 24  # [1] the mix: hourly health, one spot a day
POINTS = 256  # [1] of a spot's trace
BLOCK_BYTES = 8_388_608
CAPACITY_BYTES = 1_000_204_886_016
BLOCK_US = 21_000  # [us] about 400 MB/s
PATH = PathFacts(bus=Bus.NVME, link_now="PCIe 3.0 x4", link_best="PCIe 3.0 x4")
VARIANTS = 32  # [1] spot traces made ahead; every report still has its own ids and times


@dataclass(frozen=True, kw_only=True)
class SimulatedHost:
    """One machine with its drives' serials, and the token its agent shows."""

    host_id: str
    serials: tuple[str, ...]
    token: str = ""


def invent_hosts(count: int, drives_each: int) -> list[SimulatedHost]:
    """Name some machines and their drives."""
    return [
        SimulatedHost(
            host_id=f"h{number:05}",
            serials=tuple(f"B{number:05}{drive:02}" for drive in range(drives_each)),
        )
        for number in range(count)
    ]


def identity(serial: str) -> DriveIdentity:
    """Give the identity of an invented drive; the model goes by its number."""
    model = f"Invented NVMe {ord(serial[5]) % 8}T"
    return DriveIdentity(confidence=IdentityConfidence.OWN, serial=serial, model=model, firmware="2B1")


def subject(serial: str) -> Subject:
    """Give a drive as its reports name it."""
    return Subject(ref=f"nvme{int(serial[-2:])}n1", identity=identity(serial), volume_id=f"vol-{serial}")


def _digits(head: str, length: int, serial: str, *of: object) -> str:
    """Give an id of a real one's length that is no other's, with the serial in it."""
    digest = hashlib.sha256(repr((serial, of)).encode()).hexdigest()
    return f"{head}{digest[: length - len(head) - len(serial)]}{serial}"


def _envelope(host: SimulatedHost, report_id: str, made_at: datetime, sequence: int, body: object) -> Report:
    return Report(
        report_id=report_id,
        host_id=host.host_id,
        agent_version="0.1.0",
        made_at=made_at,
        sequence=sequence,
        body=body,  # type: ignore[arg-type]
    )


def inventory(host: SimulatedHost, made_at: datetime) -> Report:
    """Give a machine's inventory: each drive with one volume."""
    drives = tuple(
        DriveFacts(
            ref=subject(serial).ref,
            identity=identity(serial),
            path=PATH,
            capacity_bytes=CAPACITY_BYTES,
            removable=False,
            rotational=False,
        )
        for serial in host.serials
    )
    volumes = tuple(
        VolumeFacts(
            volume_id=f"vol-{serial}",
            file_system="ext4",
            size_bytes=CAPACITY_BYTES,
            free_bytes=CAPACITY_BYTES // 2,
            read_only=False,
            certainty=MappingCertainty.CERTAIN,
            member_refs=(subject(serial).ref,),
        )
        for serial in host.serials
    )
    body = InventoryBody(
        host_name=f"suite-{host.host_id}", system="Linux", drives=drives, volumes=volumes, writes_allowed=True
    )
    return _envelope(host, f"inventory-{host.host_id}-{made_at:%Y%m%d}", made_at, 1, body)


def health(host: SimulatedHost, serial: str, made_at: datetime, *, hour: int = 0) -> Report:
    """Give an NVMe drive's health report as an agent makes it."""
    reading = HealthReading(
        read_at=made_at,
        state=HealthState.READ,
        sentence="Health was read.",
        assessment=Assessment.PASSED,
        protocol="nvme",
        temperature_c=36.0 + hour % 5,
        temperature_limit_c=83.0,
        critical_temperature_limit_c=85.0,
        percentage_used=3,
        available_spare_percent=100,
        available_spare_threshold_percent=10,
        written_bytes=41_000_000_000_000 + hour * 7_654_321_024,
        read_bytes=38_000_000_000_000 + hour * 3_210_123_264,
        power_on_hours=9_000 + hour,
        power_cycles=214,
        unsafe_shutdowns=11,
        media_errors=0,
        error_log_entries=0,
        warning_temperature_minutes=0,
        critical_temperature_minutes=0,
        exit_status=0,
        sources=dict.fromkeys(("temperature_c", "percentage_used", "written_bytes"), "nvme health log"),
    )
    body = HealthBody(subject=subject(serial), reading=reading)
    return _envelope(host, _digits("", 32, serial, hour, made_at), made_at, hour + 2, body)


def _steps(chance: random.Random, points: int) -> tuple[int, ...]:
    return tuple(int(BLOCK_US * chance.gauss(1.0, 0.04)) for _ in range(points))


def spot(host: SimulatedHost, serial: str, made_at: datetime, *, hour: int = 0, seed: int = 0) -> Report:
    """Give a drive's spot probe of 256 points."""
    steps = _steps(random.Random(seed), POINTS)
    result = ProbeResult(
        probe_id=_digits("probe-", 22, serial, hour),  # as long as a real one
        kind=ProbeKind.SPOT,
        started_at=made_at - timedelta(seconds=8),
        duration_s=sum(steps) / 1e6,
        outcome=ProbeOutcome.COMPLETED,
        bytes_written=POINTS * BLOCK_BYTES,
        block_bytes=BLOCK_BYTES,
        layout=FileLayout.PREALLOCATED,
        file_system="ext4",
        path=PATH,
        trace=(TraceDocument(step_us=steps, step_bytes=(BLOCK_BYTES,) * POINTS),),
        read_back_ok=True,
        fill_start=0.52,
        fill_end=0.52,
        rest_before_s=3600.0,
        temperature_start_c=38.0,
        temperature_hottest_c=43.0,
        discard=DiscardState.ASKED,
        space_returned=True,
    )
    body = ProbeBody(subject=subject(serial), result=result)
    return _envelope(host, _digits("", 32, serial, hour, made_at), made_at, hour + 2, body)


def soak(host: SimulatedHost, serial: str, made_at: datetime, *, points: int = 400) -> Report:
    """Give a drive's soak over the whole medium, flat at its rate."""
    steps = _steps(random.Random(serial), points)
    step_bytes = CAPACITY_BYTES // points
    step_us = tuple(round(step * step_bytes / BLOCK_BYTES) for step in steps)
    result = ProbeResult(
        probe_id=f"probe-soak-{serial}-{made_at:%Y%m%d}",
        kind=ProbeKind.SOAK,
        started_at=made_at - timedelta(seconds=sum(step_us) / 1e6),
        duration_s=sum(step_us) / 1e6,
        outcome=ProbeOutcome.COMPLETED,
        bytes_written=points * step_bytes,
        block_bytes=BLOCK_BYTES,
        layout=FileLayout.APPENDED,
        file_system="ext4",
        path=PATH,
        trace=(TraceDocument(step_us=step_us, step_bytes=(step_bytes,) * points),),
        read_back_ok=True,
        soak_end=SoakEnd.WHOLE_MEDIUM,
        fill_start=0.0,
        fill_end=1.0,
    )
    body = ProbeBody(subject=subject(serial), result=result)
    return _envelope(host, f"soak-{serial}-{made_at:%Y%m%d}", made_at, 2, body)


class Mill:
    """Makes reports as JSON text from models made once: every text is a whole report with its own ids."""

    _AT = datetime.fromisoformat("2001-02-03T04:05:06+00:00")

    def __init__(self) -> None:
        host = SimulatedHost(host_id="HOSTMARK", serials=("SERIALMARK01",))
        models = [health(host, "SERIALMARK01", self._AT, hour=777)]
        models += [spot(host, "SERIALMARK01", self._AT, hour=777, seed=seed) for seed in range(VARIANTS)]
        texts = [model.model_dump_json() for model in models]
        for number, model in enumerate(models):
            texts[number] = texts[number].replace(model.report_id, "REPORTMARK")
            if isinstance(model.body, ProbeBody):
                texts[number] = texts[number].replace(model.body.result.probe_id, "PROBEMARK")
        self._health, self._spots = texts[0], texts[1:]

    def text(self, host: SimulatedHost, serial: str, made_at: datetime, hour: int) -> str:
        """Give the report of an hour: health, and after every 24 of it a spot."""
        model = self._health
        if hour % (HEALTH_A_SPOT + 1) == HEALTH_A_SPOT:
            model = self._spots[hour % VARIANTS].replace("PROBEMARK", f"probe-{hour:08}{serial}")
        at = made_at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        return (
            model.replace("2001-02-03T04:04:58Z", at)
            .replace("2001-02-03T04:05:06Z", at)
            .replace("HOSTMARK", host.host_id)
            .replace("SERIALMARK01", serial)
            .replace("REPORTMARK", f"{made_at:%H%M%S%f}{hour:012}{serial}")
            .replace('"sequence":779', f'"sequence":{hour + 2}')
        )

    def stream(self, host: SimulatedHost, start: datetime, *, first_hour: int = 0) -> Iterator[str]:
        """Give a machine's reports without end, one drive after the other, a second apart."""
        hour, at = first_hour, start
        while True:
            for serial in host.serials:
                yield self.text(host, serial, at, hour)
            hour += 1
            at += timedelta(milliseconds=10)


def batch(texts: list[str]) -> bytes:
    """Give a request's body of some reports."""
    return ('{"reports":[' + ",".join(texts) + "]}").encode()
