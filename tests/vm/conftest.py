"""The emulated machine for tests that need drives with a health of their own, or a real init."""

from pathlib import Path

import pytest

from tests.rigs.guest import guest_missing
from tests.rigs.guest_image import ensure_image

HERE = Path(__file__).parent
# The modules by how long their guests run: two workers that take the longest first end together.
LONGEST_FIRST = ("service", "layers", "consent", "faults", "power_loss", "tls", "health", "throttle")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the long guests first, whatever order the modules were shuffled into."""
    places = {HERE / f"test_guest_{name}.py": place for place, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: places.get(item.path, len(places)))


@pytest.fixture(scope="session")
def guest() -> None:
    """Build the guest once, or say why it cannot run here."""
    missing = guest_missing()
    if missing:
        pytest.skip(f"no emulated machine: {missing}")
    ensure_image()
