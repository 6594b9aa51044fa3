"""What a running agent keeps of a health read for the next one."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.cycle import health
from ebbmark_agent.drives import Drive, Inventory
from ebbmark_agent.health import Examination
from ebbmark_agent.report import (
    Bus,
    DriveFacts,
    DriveIdentity,
    HealthReading,
    HealthState,
    IdentityConfidence,
    PathFacts,
)

from tests.rigs.probing_agent import agent_in

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
OWN = DriveIdentity(confidence=IdentityConfidence.OWN, serial="INVENTED-1", model="Reel 2000")


def drive(bus: Bus) -> Drive:
    """An invented drive on a bus."""
    nobody = DriveIdentity(confidence=IdentityConfidence.NONE)
    facts = DriveFacts(ref="sda", identity=nobody, path=PathFacts(bus=bus))
    return Drive(facts=facts, device="/dev/sda", smart_node="/dev/sda", place="here", medium_number=1)


def reading(monkeypatch: pytest.MonkeyPatch, *answers: Examination) -> list[str | None]:
    """Let drives answer in turn; the device types they were asked with."""
    asked: list[str | None] = []
    left = list(answers)

    def examine(drive: Drive, *, device_type: str | None = None, **_: Any) -> Examination:
        asked.append(device_type)
        return left.pop(0)

    monkeypatch.setattr(health, "examine", examine)
    return asked


def answer(*, state: HealthState = HealthState.READ, device_type: str | None = "sat") -> Examination:
    """What a rotating drive tells."""
    told = HealthReading(read_at=NOW, state=state, sentence="Read.")
    return Examination(reading=told, identity=OWN, rotation_rpm=7200, device_type=device_type)


def test_how_fast_disks_turn_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rotation a drive tells makes it a rotating one in the inventory, whatever the kernel guessed."""
    running = agent_in(tmp_path)
    running.inventory = Inventory(drives=(drive(Bus.USB),))
    reading(monkeypatch, answer())
    named = health.read_one(running, running.inventory.drives[0])

    assert (named.facts.rotation_rpm, named.facts.rotational) == (7200, True)
    assert running.inventory.drives[0].facts.identity == OWN


def test_the_way_through_a_bridge_is_kept_while_it_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The type that answered is asked with next; once it fails, smartctl finds out anew."""
    running = agent_in(tmp_path)
    running.inventory = Inventory(drives=(drive(Bus.USB),))
    silent = answer(state=HealthState.COMMAND_FAILED, device_type=None)
    asked = reading(monkeypatch, answer(), silent, answer())
    for _ in range(3):
        health.read_one(running, drive(Bus.USB))

    assert asked == [None, "sat", None]


def test_without_a_bridge_smartctl_finds_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A drive on a bus of its own needs no remembered way."""
    running = agent_in(tmp_path)
    running.inventory = Inventory(drives=(drive(Bus.SATA),))
    asked = reading(monkeypatch, answer(), answer())
    for _ in range(2):
        health.read_one(running, drive(Bus.SATA))

    assert asked == [None, None]
