"""A disk that stands still is left so: one question that does not wake it, its own sentence, nothing more.

With `-n standby` smartctl exits "before performing any checks" where the device is in SLEEP or STANDBY mode,
by default with status 2. Source: smartctl(8) of smartmontools 7.3, option -n and EXIT STATUS, bit 1.
"""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ebbmark_agent.bench import look_at_health
from ebbmark_agent.clock import Clock
from ebbmark_agent.cycle import health, read_due_health
from ebbmark_agent.drives import Drive, Inventory
from ebbmark_agent.health import JsonSmartctl, examine
from ebbmark_agent.report import (
    Bus,
    DriveFacts,
    DriveIdentity,
    HealthBody,
    HealthState,
    IdentityConfidence,
    PathFacts,
    Report,
)

from tests.agent.health.devices import SmartDeviceHere
from tests.agent.health.documents import Document, ata, attribute, envelope
from tests.agent.health.stand_in import StandIn, write_program
from tests.rigs.probing_agent import agent_in

# Stands for smartctl on a disk that stands still: asked with `-n standby` it says so and asks the disk
# nothing else; asked in any other way the disk spins up, which is noted.
SLEEPER = r"""#!/bin/sh
here=$(dirname "$0")
printf '%s\n' "$*" >> "$here/calls"
case " $* " in
*" -n standby "*) [ -f "$here/woken" ] || { cat "$here/asleep"; exit 2; } ;;
*) : > "$here/woken" ;;
esac
cat "$here/awake"
"""

SAYINGS = (
    "Device is in STANDBY mode, exit(2)",
    "Device is in STANDBY (OS) mode, exit(2)",
    "Device is in SLEEP mode, exit(2)",
    "Device is in STANDBY_Y mode, exit(2)",
    "Device is in STANDBY BY COMMAND mode, exit(2)",
    "Device is in STANDBY_Y BY TIMER mode, exit(2)",
    "Device is in LOW POWER mode, exit(2)",
)


def asleep(saying: str = SAYINGS[0]) -> Document:
    """What smartctl prints as JSON then: the device, the status, its words among the lines of its text."""
    found = envelope(status=2)
    found["device"] = {"name": "/dev/sda", "info_name": "/dev/sda [SAT]", "type": "sat", "protocol": "ATA"}
    found["smartctl"]["output"] = ["smartctl 7.3 2022-02-28 r5338", "", saying, ""]
    return found


class Sleeper:
    """A stand-in smartctl over one sleeping disk."""

    def __init__(self, folder: Path) -> None:
        """Put the program into a folder."""
        self._folder = folder
        self.program = write_program(folder / "smartctl", SLEEPER)
        (folder / "asleep").write_text(json.dumps(asleep()))
        (folder / "awake").write_text(json.dumps(ata(attributes=[attribute(9, "Power_On_Hours", 5)])))

    def wakes_by_itself(self) -> None:
        """Let the disk spin up because somebody uses it."""
        (self._folder / "woken").touch()

    @property
    def woken(self) -> bool:
        """Whether anything spun it up."""
        return (self._folder / "woken").exists()

    def calls(self) -> list[str]:
        """The command lines so far."""
        calls = self._folder / "calls"
        return calls.read_text().splitlines() if calls.exists() else []


@pytest.fixture
def sleeper(tmp_path: Path) -> Sleeper:
    """The sleeping disk."""
    folder = tmp_path / "sleeper"
    folder.mkdir()
    return Sleeper(folder)


def disk(bus: Bus = Bus.SATA, *, rotational: bool | None = True) -> Drive:
    """An invented disk with platters."""
    identity = DriveIdentity(confidence=IdentityConfidence.OWN, serial="INVENTED-1", model="Reel 2000")
    facts = DriveFacts(ref="sda", identity=identity, path=PathFacts(bus=bus), rotational=rotational)
    return Drive(facts=facts, device="/dev/sda", smart_node="/dev/sda", place="here", medium_number=1)


@pytest.mark.parametrize("saying", SAYINGS)
def test_each_way_to_stand_still_is_asleep(
    saying: str, stand_in: StandIn, runner: JsonSmartctl, now: datetime
) -> None:
    """However a drive stands still, its state is asleep, with the one sentence for it and no value."""
    stand_in.answer("/dev/sda", asleep(saying), status=2)
    found = examine(SmartDeviceHere(smart_node="/dev/sda", may_sleep=True), now=now, runner=runner)

    assert found.reading.state is HealthState.ASLEEP
    assert found.reading.sentence == (
        "Drive A is asleep and was left so; its health is read the next time it is awake."
    )
    assert found.reading.sources == {}
    assert len(stand_in.calls()) == 1


def test_a_power_mode_in_the_json_is_enough(stand_in: StandIn, runner: JsonSmartctl, now: datetime) -> None:
    """Where the mode is a value of the JSON, the words may change.

    Source: ATA/ATAPI Command Set - 3, CHECK POWER MODE: 00h is standby, FFh active or idle.
    """
    states = {}
    for value in (0x00, 0xFF):
        answer = {**envelope(status=2), "power_mode": {"ata_value": value}}
        stand_in.answer("/dev/sda", answer, status=2)
        device = SmartDeviceHere(smart_node="/dev/sda", may_sleep=True)
        states[value] = examine(device, now=now, runner=runner).reading.state

    assert states == {0x00: HealthState.ASLEEP, 0xFF: HealthState.COMMAND_FAILED}


@pytest.mark.parametrize("bus", [Bus.SATA, Bus.USB, Bus.SAS, Bus.UNKNOWN])
@pytest.mark.parametrize("rotational", [True, None])
def test_nothing_more_is_asked_of_a_sleeping_disk(
    bus: Bus, *, rotational: bool | None, sleeper: Sleeper
) -> None:
    """One process, which exits before it asks the disk anything; behind a bridge no other way is tried."""
    drive = disk(bus, rotational=rotational)
    readings, _ = look_at_health([drive], runner=JsonSmartctl(sleeper.program), clock=Clock())

    assert readings["sda"].state is HealthState.ASLEEP
    assert len(sleeper.calls()) == 1
    assert not sleeper.woken


def test_the_stand_in_tells_a_disk_that_was_woken(sleeper: Sleeper) -> None:
    """Asked as a solid-state drive is, the stand-in's disk spins up: the proofs above can fail."""
    look_at_health([disk(rotational=False)], runner=JsonSmartctl(sleeper.program), clock=Clock())

    assert sleeper.woken


def test_the_agent_lets_a_disk_sleep_and_reads_it_once_it_is_awake(sleeper: Sleeper, tmp_path: Path) -> None:
    """Through a day of looks the disk sleeps on and reports say so; once somebody wakes it, it is read."""
    at = [datetime(2026, 3, 10, 12, tzinfo=UTC)]
    running = agent_in(tmp_path / "state", clock=Clock(utc=lambda: at[0]))
    running.runner = JsonSmartctl(sleeper.program)
    running.inventory = Inventory(drives=(disk(),))
    for _ in range(24 * 4):
        read_due_health(running)
        at[0] += timedelta(minutes=15)
    slept = (sleeper.woken, len(sleeper.calls()))
    sleeper.wakes_by_itself()
    at[0] += timedelta(hours=1)
    read_due_health(running)

    waiting = running.spool.next_batch(most=1000, most_bytes=10**8)
    bodies = [Report.model_validate_json(one.body).body for one in waiting if one.kind == "health"]
    states = [body.reading.state for body in bodies if isinstance(body, HealthBody)]
    assert slept[0] is False
    assert 20 <= slept[1] <= 25  # about once an hour
    assert all("-n standby" in call for call in sleeper.calls())
    assert set(states[:-1]) == {HealthState.ASLEEP}
    assert states[-1] is HealthState.READ


def test_the_way_through_a_bridge_outlives_its_disks_sleep(sleeper: Sleeper, tmp_path: Path) -> None:
    """The device type that answered last is asked with again: finding one out could spin the disk up."""
    running = agent_in(tmp_path / "state")
    running.runner = JsonSmartctl(sleeper.program)
    drive = disk(Bus.USB, rotational=None)
    running.inventory = Inventory(drives=(drive,))
    running.device_types[drive.insertion] = "sat"
    for _ in range(2):
        health.read_one(running, drive)

    assert [call.count("-d sat") for call in sleeper.calls()] == [1, 1]
    assert not sleeper.woken
