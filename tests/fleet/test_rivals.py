"""The three simpler judges, each on a report it must call and one it must not."""

from datetime import UTC, datetime

import pytest
from ebbmark_agent.report import (
    Assessment,
    Bus,
    DriveIdentity,
    FileLayout,
    HealthBody,
    HealthReading,
    HealthState,
    IdentityConfidence,
    PathFacts,
    ProbeBody,
    ProbeKind,
    ProbeOutcome,
    ProbeResult,
    Report,
    Subject,
    TraceDocument,
)

from sample_fleet.physics.recorder import Duty
from sample_fleet.scoring.rivals import AverageRate, LastFloor, OwnCounters, Watch

NOW = datetime(2025, 3, 1, tzinfo=UTC)
DUTY = Duty(rate_bytes_per_s=100e6, buffer_s=1.0, take_bytes=1e12, headroom=1.2)
SUBJECT = Subject(ref="d", identity=DriveIdentity(confidence=IdentityConfidence.OWN, serial="S1"))


def report(body: ProbeBody | HealthBody) -> Report:
    """Put a body into an envelope."""
    return Report(report_id="r", host_id="h", agent_version="0", made_at=NOW, sequence=1, body=body)


def probe(rates: list[float], *, outcome: ProbeOutcome = ProbeOutcome.COMPLETED) -> Report:
    """Make a probe of one-second steps at these rates [bytes/s]; the first one is left out by every rival."""
    sizes = tuple(int(rate) for rate in rates)
    result = ProbeResult(
        probe_id="p",
        kind=ProbeKind.SPOT,
        started_at=NOW,
        duration_s=float(len(rates)),
        outcome=outcome,
        bytes_written=sum(sizes),
        block_bytes=1 << 20,
        layout=FileLayout.PREALLOCATED,
        file_system="xfs",
        path=PathFacts(bus=Bus.SATA),
        trace=(TraceDocument(step_us=(1_000_000,) * len(rates), step_bytes=sizes),),
    )
    return report(ProbeBody(subject=SUBJECT, result=result))


def health(**said: object) -> Report:
    """Make a health report."""
    reading = {"read_at": NOW, "state": HealthState.READ, "sentence": "Read."} | said
    return report(HealthBody(subject=SUBJECT, reading=HealthReading.model_validate(reading)))


def test_the_average_hides_a_short_dip() -> None:
    """A mean of 300 MB/s is well by the average, though one second had none."""
    assert AverageRate().looks_bad(probe([400e6, 400e6, 0.0, 400e6]), DUTY) is False
    assert AverageRate().looks_bad(probe([400e6, 90e6, 90e6, 90e6]), DUTY) is True


def test_the_last_floor_sees_a_dip_as_long_as_the_buffer() -> None:
    """One second below 120 MB/s is enough, 119 is below and 121 is not."""
    assert LastFloor().looks_bad(probe([400e6, 400e6, 119e6, 400e6]), DUTY) is True
    assert LastFloor().looks_bad(probe([400e6, 400e6, 121e6, 400e6]), DUTY) is False


@pytest.mark.parametrize(
    ("said", "bad"),
    [
        ({}, False),
        ({"percentage_used": 99}, False),
        ({"percentage_used": 100}, True),
        ({"pending_sectors": 1}, True),
        ({"assessment": Assessment.FAILED}, True),
        ({"available_spare_percent": 10, "available_spare_threshold_percent": 10}, False),
        ({"available_spare_percent": 9, "available_spare_threshold_percent": 10}, True),
        ({"state": HealthState.TIMED_OUT, "percentage_used": 100}, None),
    ],
)
def test_the_drive_s_own_counters_at_their_limits(said: dict[str, object], bad: bool | None) -> None:
    """Each counter just inside and just past its limit; a read that failed is no opinion."""
    assert OwnCounters().looks_bad(health(**said), DUTY) is bad


def test_a_probe_that_gave_way_is_no_opinion() -> None:
    """No rival judges a probe that stopped for others."""
    slow = probe([1e6, 1e6, 1e6], outcome=ProbeOutcome.GAVE_WAY)

    assert AverageRate().looks_bad(slow, DUTY) is None
    assert LastFloor().looks_bad(slow, DUTY) is None


def test_a_watch_calls_once_until_the_sign_is_gone_for_three_days() -> None:
    """Bad on two days, well for three, bad again: two calls."""
    watch = Watch(rival=AverageRate(), duties={"d": DUTY})
    bad, well = probe([1e6, 90e6]), probe([1e6, 400e6])
    days = [bad, bad, well, well, well, bad]
    calls = [c for n, r in enumerate(days) for c in watch.see(r, NOW.replace(day=1 + n))]

    assert len(calls) == 2
    assert all(c.drive == "d" and c.predicts for c in calls)
