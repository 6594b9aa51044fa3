"""What the tests of deployment share: the files as shipped, and a wheel built from this tree."""

from pathlib import Path

import pytest

from tests.rigs.wheel import build_wheel


@pytest.fixture(scope="session")
def deploy() -> Path:
    """The folder with what is shipped for deployment."""
    return Path(__file__).resolve().parents[2] / "deploy"


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel of this tree as it stands."""
    return build_wheel(tmp_path_factory.mktemp("wheel"))
