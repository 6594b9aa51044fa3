"""A probe of an invented drive: the trace its physics gives, with pauses, noise and foreign traffic in it."""

import math
from dataclasses import dataclass, replace
from datetime import datetime
from random import Random

from ebbmark_agent.report import (
    DiscardState,
    FileLayout,
    PathFacts,
    ProbeKind,
    ProbeOutcome,
    ProbeResult,
    SoakEnd,
    TraceDocument,
)

from sample_fleet.physics.build import Build
from sample_fleet.physics.condition import Condition
from sample_fleet.physics.writing import Writing

_BLOCK_BYTES = 4 << 20
SPOT_STEPS = 48
SOAK_STEPS = 240


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a probe sets out to do and what the night has in store for it.

    Args:
        probe_id: Its id.
        kind: Spot or soak.
        at: When it begins.
        n_bytes: What it would write [bytes].
        rest_before_s: Time since the last writing [s].
        noise: Standard deviation of the logarithm of its rate [1].
        gives_way_at: Share of it after which foreign traffic ends it [1]; `None` if none comes.
        by_hand: Whether a person asked for it.
    """

    probe_id: str
    kind: ProbeKind
    at: datetime
    n_bytes: float
    rest_before_s: float
    noise: float
    gives_way_at: float | None = None
    by_hand: bool = False


def probe(build: Build, condition: Condition, path: PathFacts, plan: Plan, chance: Random) -> ProbeResult:
    """Write greedily and give the result as the agent would send it."""
    drive = Writing.begin(build, through(condition, path))
    start_c = drive.temperature_c
    steps_us, steps_bytes = _steps(drive, plan, chance)
    gave_way = plan.gives_way_at is not None
    written = sum(steps_bytes)
    warm = build.heat is not None
    return ProbeResult(
        probe_id=plan.probe_id,
        kind=plan.kind,
        started_at=plan.at,
        duration_s=sum(steps_us) / 1e6,
        outcome=ProbeOutcome.GAVE_WAY if gave_way else ProbeOutcome.COMPLETED,
        bytes_written=written,
        bytes_read=0 if gave_way else written,
        block_bytes=_BLOCK_BYTES,
        layout=FileLayout.PREALLOCATED,
        file_system="xfs",
        path=path,
        trace=(TraceDocument(step_us=tuple(steps_us), step_bytes=tuple(steps_bytes)),),
        read_back_ok=None if gave_way else True,
        gave_way_to="Another program wrote to this disk." if gave_way else None,
        soak_end=_soak_end(plan, condition, build) if plan.kind is ProbeKind.SOAK and not gave_way else None,
        discard=DiscardState.ASKED if condition.known_free_share > 0.995 else DiscardState.NOT_POSSIBLE,
        space_returned=True,
        fill_start=round(condition.fill, 4),
        fill_end=round(min(1.0, condition.fill + written / build.capacity_bytes), 4),
        position_start=round(condition.fill, 4),
        position_end=round(min(1.0, condition.fill + written / build.capacity_bytes), 4),
        rest_before_s=round(plan.rest_before_s),
        temperature_start_c=float(round(start_c)) if warm else None,
        temperature_hottest_c=float(round(drive.hottest_c)) if warm else None,
        by_hand=plan.by_hand,
    )


def through(condition: Condition, path: PathFacts) -> Condition:
    """Give a condition as it shows through a path: no faster than the link in use and the bridge's queue."""
    link = min(condition.link_bytes_per_s, path.link_now_bytes_per_s or 1e12)
    queue = 0.5 if path.uas is False else 1.0  # no command queue on this bridge
    return replace(condition, link_bytes_per_s=link, link_share=condition.link_share * queue)


def _soak_end(plan: Plan, condition: Condition, build: Build) -> SoakEnd:
    whole = plan.n_bytes >= 0.96 * build.capacity_bytes * (1.0 - condition.fill)
    return SoakEnd.WHOLE_MEDIUM if whole else SoakEnd.BUDGET


def _steps(drive: Writing, plan: Plan, chance: Random) -> tuple[list[int], list[int]]:
    condition = drive.condition
    steps = SPOT_STEPS if plan.kind is ProbeKind.SPOT else SOAK_STEPS
    chunk = int(plan.n_bytes / steps)
    level = math.exp(chance.gauss(0.0, plan.noise))
    steps_us: list[int] = []
    steps_bytes: list[int] = []
    if condition.asleep:
        steps_us.append(int(drive.build.spin_up_s * 1e6))
        steps_bytes.append(_BLOCK_BYTES)
    last = steps if plan.gives_way_at is None else max(2, int(steps * plan.gives_way_at))
    # Pauses are looked for step by step: so many an hour, each exponentially long.
    per_s = condition.stalls_per_hour / 3600.0
    for _ in range(last):
        duration_s = drive.write(chunk) / (level * math.exp(chance.gauss(0.0, plan.noise)))
        steps_us.append(max(1, int(duration_s * 1e6)))
        steps_bytes.append(chunk)
        due = per_s * duration_s
        while due > 0.0 and chance.random() < 1.0 - math.exp(-due):
            pause_s = chance.expovariate(1.0 / condition.stall_scale_s)
            if pause_s > 0.05:
                steps_us.append(int(pause_s * 1e6))
                steps_bytes.append(_BLOCK_BYTES)
            due -= 1.0
    return steps_us, steps_bytes
