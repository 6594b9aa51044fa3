"""Three simpler judges of the same reports: the average rate, the drive's own counters, the last floor.

They are given what care costs nothing: the first step of a trace, where a disk may spin up, does not count.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from ebbmark_agent.report import (
    Assessment,
    HealthBody,
    HealthState,
    ProbeBody,
    ProbeOutcome,
    ProbeResult,
    Report,
)

from sample_fleet.diary.calendar import FIRST_DAY
from sample_fleet.physics.recorder import Duty
from sample_fleet.scoring.calls import Call

_DAY_S = 86_400.0
_CLEAR_AFTER_DAYS = 3.0  # [d] a rival's alert is over when its sign was gone this long


class Rival(Protocol):
    """A judge of one drive: says of one report whether it looks like trouble, `None` for no opinion."""

    name: str

    def looks_bad(self, report: Report, duty: Duty) -> bool | None:
        """Tell whether this report alone looks bad for the duty."""
        ...


class AverageRate:
    """Alerts when the mean rate of the last probe is below the rate of the role."""

    name = "average rate below the role's rate"

    def looks_bad(self, report: Report, duty: Duty) -> bool | None:
        """Compare the probe's mean rate."""
        result = _completed(report)
        if result is None or not result.trace:
            return None
        trace = result.trace[0]
        warm_us, size = sum(trace.step_us[1:]), sum(trace.step_bytes[1:])
        return warm_us > 0 and size / (warm_us / 1e6) < duty.rate_bytes_per_s


class OwnCounters:
    """Alerts on the drive's own word: failed, worn, spare used up, or any sector lost."""

    name = "the drive's own counters only"

    def looks_bad(self, report: Report, duty: Duty) -> bool | None:  # noqa: ARG002 - same door for all rivals
        """Hold the counters against their customary limits (a first lost sector, 100 % used)."""
        if not isinstance(report.body, HealthBody):
            return None
        reading = report.body.reading
        if reading.state is not HealthState.READ:
            return None
        lost = (
            reading.media_errors,
            reading.pending_sectors,
            reading.reallocated_sectors,
            reading.uncorrectable_errors,
        )
        spare, limit = reading.available_spare_percent, reading.available_spare_threshold_percent
        return (
            reading.assessment is Assessment.FAILED
            or bool(reading.critical_warnings)
            or (reading.percentage_used or 0) >= 100
            or any(lost)
            or (spare is not None and limit is not None and spare < limit)
        )


class LastFloor:
    """Alerts when the slowest stretch of the last probe, a buffer long, is below the role's demand."""

    name = "last floor below the role's demand"

    def looks_bad(self, report: Report, duty: Duty) -> bool | None:
        """Compare the slowest stretch."""
        result = _completed(report)
        if result is None or not result.trace:
            return None
        slowest = slowest_stretch(result, duty.buffer_s)
        return slowest is not None and slowest < duty.rate_bytes_per_s * duty.headroom


RIVALS: tuple[type[Rival], ...] = (AverageRate, OwnCounters, LastFloor)


def _completed(report: Report) -> ProbeResult | None:
    body = report.body
    if isinstance(body, ProbeBody) and body.result.outcome is ProbeOutcome.COMPLETED:
        return body.result
    return None


def slowest_stretch(result: ProbeResult, length_s: float) -> float | None:
    """Give the least mean rate over whole steps that together last at least `length_s` [bytes/s]."""
    trace = result.trace[0]
    begin, duration_us, size, slowest = 1, 0, 0, None
    for step_us, step_bytes in zip(trace.step_us[1:], trace.step_bytes[1:], strict=True):
        duration_us += step_us
        size += step_bytes
        while duration_us - trace.step_us[begin] >= length_s * 1e6:
            duration_us -= trace.step_us[begin]
            size -= trace.step_bytes[begin]
            begin += 1
        if duration_us >= length_s * 1e6:
            rate = size / (duration_us / 1e6)
            slowest = rate if slowest is None else min(slowest, rate)
    return slowest


@dataclass
class Watch:
    """A rival at work on a whole fleet; gives a call whenever it raises anew."""

    rival: Rival
    duties: Mapping[str, Duty]
    bad_since: dict[str, float] = field(default_factory=dict)
    last_bad: dict[str, float] = field(default_factory=dict)

    def see(self, report: Report, received_at: datetime) -> Iterator[Call]:
        """Look at one report in passing."""
        body = report.body
        if not isinstance(body, ProbeBody | HealthBody):
            return
        drive = body.subject.ref
        duty = self.duties.get(drive)
        if duty is None:
            return
        verdict = self.rival.looks_bad(report, duty)
        at_day = (received_at - FIRST_DAY).total_seconds() / _DAY_S
        if verdict:
            self.last_bad[drive] = at_day
            if drive not in self.bad_since:
                self.bad_since[drive] = at_day
                yield Call(
                    drive=drive, at_day=at_day, kind=self.rival.name, predicts=True, episode=self.rival.name
                )
        elif verdict is False and at_day - self.last_bad.get(drive, at_day) >= _CLEAR_AFTER_DAYS:
            self.bad_since.pop(drive, None)
