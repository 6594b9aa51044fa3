"""Which system's way is taken to look at a machine."""

from types import SimpleNamespace

import pytest
from ebbmark_agent.drives import scan, temperature_c

from tests.agent.drives.tree import ROOM, Machine


def test_a_mac_is_asked_by_its_own_tools(monkeypatch: pytest.MonkeyPatch) -> None:
    """On macOS the system's own tools are asked; where they do not answer, that is said."""
    monkeypatch.setattr("ebbmark_agent.drives.this_platform", lambda: SimpleNamespace(SYSTEM="macos"))
    monkeypatch.setattr("ebbmark_agent.drives.macos.run_command", lambda _: b"")
    inventory = scan(space=lambda _: ROOM)

    assert "diskutil" in inventory.remarks[0]


def test_sensors_are_asked_on_linux_alone(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    """A system without sensor files tells no temperature."""
    machine.nvme(0)
    (drive,) = machine.scan().drives
    monkeypatch.setattr("ebbmark_agent.drives.this_platform", lambda: SimpleNamespace(SYSTEM="windows"))

    assert temperature_c(drive) is None
