"""Shared by the tests of the inventory."""

from pathlib import Path

import pytest

from tests.agent.drives.tree import Machine


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """An invented machine without any drive yet."""
    made = Machine(root=tmp_path)
    made.write("/sys/block/.keep", "")
    made.write("/proc/self/mountinfo", "")
    (tmp_path / "sys/block/.keep").unlink()
    return made
