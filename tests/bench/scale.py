"""How large the measurements are: whole by default, small with `BENCH_QUICK=1` for a try."""

import os
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Scale:
    """Sizes of the measurements.

    Attributes:
        runs: Of every figure [1].
        seconds: Of one run under load [s].
        fleet_drives: In the large fleet [1].
        fleet_days: Of its history [d].
        reconnecting: Agents that come back at once [1].
        idle_s: How long an idle agent is watched [s].
    """

    runs: int = 5
    seconds: float = 5.0
    fleet_drives: int = 10_000
    fleet_days: int = 730
    reconnecting: int = 5_000
    idle_s: float = 120.0


QUICK = os.environ.get("BENCH_QUICK") == "1"
SCALE = (
    Scale(seconds=1.5, fleet_drives=300, fleet_days=730, reconnecting=200, idle_s=20.0) if QUICK else Scale()
)
