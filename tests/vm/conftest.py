"""The emulated machine for tests that need drives with a health of their own, or a real init."""

import pytest

from tests.rigs.guest import guest_missing
from tests.rigs.guest_image import ensure_image


@pytest.fixture(scope="session")
def guest() -> None:
    """Build the guest once, or say why it cannot run here."""
    missing = guest_missing()
    if missing:
        pytest.skip(f"no emulated machine: {missing}")
    ensure_image()
