"""The everyday case: a studio of 100 machines, 500 drives and two years, on the SQLite default."""

from typing import Any

from tests.bench.scale import QUICK
from tests.bench.viewing import measure


def run() -> list[dict[str, Any]]:
    """Measure it."""
    return measure("studio", drives=50 if QUICK else 500, days=730)
