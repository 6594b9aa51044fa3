"""Runs the command in this process, on a state folder of its own."""

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from ebbmark_agent.cli import main

from tests.rigs.fixtures import rig

__all__ = ["rig"]
Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Give what runs `ebbmark-agent` with arguments and variables."""

    def call(*arguments: str, **variables: str) -> Result:
        environment = {"EBBMARK_STATE_DIR": str(tmp_path / "state"), **variables}
        return CliRunner().invoke(main, arguments, env=environment, catch_exceptions=False)

    return call
