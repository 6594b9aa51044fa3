"""A large fleet: 10,000 drives, 2 years of daily spots and hourly health after retention, one SQLite file."""

from typing import Any

from tests.bench.scale import SCALE
from tests.bench.viewing import measure


def run() -> list[dict[str, Any]]:
    """Measure it."""
    return measure("fleet", drives=SCALE.fleet_drives, days=SCALE.fleet_days)
