"""The soak: why it ends, how it pauses for heat, when it counts as settled."""

import itertools
import threading
from pathlib import Path

import pytest
from ebbmark_agent.platforms import this_platform
from ebbmark_agent.probe import Phase, Progress, run_probe
from ebbmark_agent.probe.guard import Guard
from ebbmark_agent.probe.outlook import SoakOutlook
from ebbmark_agent.report import ProbeKind, ProbeOutcome, SoakEnd

from tests.rigs.curve import Curve
from tests.rigs.loop_drive import loop_drive
from tests.rigs.probing import probe_drive, request_on, traces_of

MB = 1_000_000


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_soak_without_a_budget_fills_the_medium() -> None:
    """All the room but what is kept free is written, and the result says that this was the whole medium."""
    with loop_drive(Curve.flat(0), size_bytes=512 << 20) as drive:
        result = probe_drive(drive, kind=ProbeKind.SOAK)

    assert result.soak_end is SoakEnd.WHOLE_MEDIUM
    assert result.bytes_written > 400 * MB
    assert result.fill_end is not None
    assert result.fill_end > 0.9
    assert result.read_back_ok
    assert result.space_returned


def test_a_budget_ends_a_soak(tmp_path: Path) -> None:
    """A soak that has written its budget says so, and claims no more."""
    result = run_probe(request_on(tmp_path, kind=ProbeKind.SOAK, max_bytes=32 * MB), platform=this_platform())

    assert result.soak_end is SoakEnd.BUDGET
    assert result.bytes_written <= 32 * MB


def test_what_the_role_fills_is_the_whole_medium(tmp_path: Path) -> None:
    """A role that fills 16 MB is covered by 16 MB."""
    result = run_probe(
        request_on(tmp_path, kind=ProbeKind.SOAK, max_bytes=16 << 20, role_fills_bytes=16 << 20),
        platform=this_platform(),
    )

    assert result.soak_end is SoakEnd.WHOLE_MEDIUM


@pytest.mark.rig
@pytest.mark.usefixtures("rig")
def test_a_hot_drive_pauses_and_goes_on_as_a_new_segment() -> None:
    """At the limit writing stops, below it writing resumes; the pause is in no segment."""
    readings = itertools.chain([40.0, 45.0, 71.0, 71.0, 69.0, 60.0], itertools.repeat(50.0))
    with loop_drive(Curve.flat(100 * MB), size_bytes=1 << 30) as drive:
        told: list[Progress] = []
        result = probe_drive(
            drive,
            kind=ProbeKind.SOAK,
            max_bytes=300 * MB,
            heat_limit_c=70.0,
            heat_every_s=0.3,
            running={"thermometer": lambda: next(readings), "progress": told.append},
        )

    assert result.outcome is ProbeOutcome.COMPLETED
    assert len(result.trace) == 2
    assert result.trace[1].starts_after_s > sum(result.trace[0].step_us) / 1e6 + 0.5
    assert result.temperature_start_c == 40.0
    assert result.temperature_hottest_c == 71.0
    assert sum(trace.written_bytes for trace in traces_of(result)) == result.bytes_written
    assert result.read_back_ok
    assert Phase.PAUSED_FOR_HEAT in {progress.phase for progress in told}


class StillLog:
    """Stands in for a block log that has these half-second steps."""

    segments = 1

    def __init__(self, rates_mb_per_s: list[tuple[int, float]]) -> None:
        """Take (seconds, rate) stretches."""
        self._steps = [int(rate * MB / 2) for seconds, rate in rates_mb_per_s for _ in range(2 * seconds)]

    def coarse_steps(self) -> tuple[list[int], list[int]]:
        """Give them."""
        return [500_000] * len(self._steps), self._steps


def outlook_of(stretches: list[tuple[int, float]]) -> tuple[SoakOutlook, Guard]:
    """Let an outlook look once at a finished log."""
    guard = Guard()
    outlook = SoakOutlook(log=StillLog(stretches), guard=guard, buffer_s=1.0, round_s=60.0)  # type: ignore[arg-type]
    outlook.look()
    return outlook, guard


def test_flat_alone_is_not_settled() -> None:
    """Ten minutes at one rate may lie wholly inside a cache: the soak goes on."""
    outlook, _ = outlook_of([(600, 400.0)])

    assert not outlook.settled


def test_flat_past_a_cliff_is_settled() -> None:
    """A cliff and then six steady minutes, five rounds of a minute, are settled."""
    outlook, guard = outlook_of([(60, 400.0), (360, 60.0)])

    assert outlook.settled
    assert guard.floor_bytes_per_s == pytest.approx(60 * MB, rel=0.03)


def test_a_cliff_just_passed_is_not_settled() -> None:
    """Two minutes past a cliff are too few for five rounds of a minute."""
    outlook, _ = outlook_of([(60, 400.0), (120, 60.0)])

    assert not outlook.settled


def test_cooling_in_vain_ends_the_soak(tmp_path: Path) -> None:
    """A cancel during a pause for heat is obeyed at once."""
    cancel = threading.Event()
    result = run_probe(
        request_on(tmp_path, kind=ProbeKind.SOAK, max_bytes=64 << 20, heat_limit_c=60.0, heat_every_s=0.05),
        platform=this_platform(),
        thermometer=lambda: 80.0,
        cancel=cancel,
        progress=lambda now: cancel.set() if now.phase is Phase.PAUSED_FOR_HEAT else None,
    )

    assert result.outcome is ProbeOutcome.CANCELLED
    assert 0 < result.bytes_written < 64 << 20
