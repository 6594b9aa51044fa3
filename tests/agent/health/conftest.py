"""Shared by the tests of the health readers."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.health import Examination, JsonSmartctl, RunEnd, SmartctlRead, interpret
from ebbmark_agent.health.document import Document

from tests.agent.health.stand_in import StandIn

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
Interpret = Callable[..., Examination]


@pytest.fixture
def now() -> datetime:
    """The instant of every reading."""
    return NOW


@pytest.fixture
def stand_in(tmp_path: Path) -> StandIn:
    """A program in smartctl's place."""
    return StandIn(tmp_path / "bin")


@pytest.fixture
def runner(stand_in: StandIn) -> JsonSmartctl:
    """A runner that starts the program in smartctl's place."""
    return JsonSmartctl(stand_in.program, timeout_s=10.0)


@pytest.fixture
def told() -> Interpret:
    """Interpret a JSON document as if smartctl had just given it."""

    def interpret_document(
        document: dict[str, Any],
        *,
        lines: tuple[str, ...] = (),
        privileged: bool = True,
        over_usb: bool = False,
    ) -> Examination:
        read = SmartctlRead(
            node="/dev/x",
            end=RunEnd.ANSWERED,
            document=Document(raw=document),
            lines=lines,
            exit_status=document.get("smartctl", {}).get("exit_status"),
            privileged=privileged,
        )
        return interpret(read, now=NOW, drive="Drive A", over_usb=over_usb)

    return interpret_document
