"""Every way a read can fail has a state and a sentence of its own that says what to do."""

import pytest
from ebbmark_agent.health import JsonSmartctl, RunEnd, SmartctlRead
from ebbmark_agent.health.states import sentence_for, state_of
from ebbmark_agent.report import HealthState

from tests.agent.health.conftest import Interpret
from tests.agent.health.documents import ata, attribute, envelope, scsi


@pytest.mark.parametrize(
    ("message", "status", "state"),
    [
        pytest.param("/dev/vda: Unable to detect device type", 1, HealthState.NO_SMART, id="virtual disk"),
        pytest.param(
            "Smartctl open device: /dev/sda failed: Permission denied",
            2,
            HealthState.NO_PERMISSION,
            id="not allowed",
        ),
        pytest.param(
            "Smartctl open device: /dev/sda failed: No such device", 2, HealthState.VANISHED, id="unplugged"
        ),
        pytest.param("Device is in STANDBY mode, exit(2)", 2, HealthState.ASLEEP, id="asleep"),
        pytest.param("Device is in STANDBY (OS) mode, exit(2)", 2, HealthState.ASLEEP, id="put to sleep"),
        pytest.param(
            "/dev/sdb: Unknown USB bridge [0x1234:0x5678 (0x100)]", 1, HealthState.UNKNOWN_BRIDGE, id="bridge"
        ),
        pytest.param(
            "Read Device Identity failed: Input/output error", 2, HealthState.COMMAND_FAILED, id="i/o error"
        ),
    ],
)
def test_state_from_what_smartctl_says(
    told: Interpret, message: str, status: int, state: HealthState
) -> None:
    """Smartctl's own message tells the state; its exit status alone would not."""
    assert state is told(envelope(status=status, messages=(message,))).reading.state


def test_refused_pass_through_is_about_rights_for_a_user(told: Interpret) -> None:
    """The kernel's refusal means missing rights for a plain user and no SMART for root."""
    refused = envelope(status=2, messages=("Smartctl open device: /dev/vda failed: Operation not permitted",))

    assert HealthState.NO_PERMISSION is told(refused, privileged=False).reading.state
    assert HealthState.NO_SMART is told(refused, privileged=True).reading.state


def test_told_health_counts_whatever_failed_besides(told: Interpret) -> None:
    """A drive that told something was read, though a message complains."""
    document = ata(status=4, attributes=[attribute(9, "Power_On_Hours", 7)])
    document["smartctl"]["messages"] = [{"string": "Permission denied on a log", "severity": "error"}]

    assert HealthState.READ is told(document).reading.state


def test_no_smart_capability(told: Interpret) -> None:
    """A drive that says it has no SMART is told so."""
    document = scsi(smart_support={"available": False})
    del document["smart_status"]

    assert HealthState.NO_SMART is told(document).reading.state


def test_switched_off_smart_says_how_to_switch_it_on(told: Interpret) -> None:
    """SMART that is there but off has a remedy of its own."""
    document = scsi(smart_support={"available": True, "enabled": False})
    del document["smart_status"]
    reading = told(document).reading

    assert HealthState.NO_SMART is reading.state
    assert "smartctl -s on" in reading.sentence


def test_missing_program_is_a_state() -> None:
    """No smartctl is a state, not a crash."""
    read = JsonSmartctl(look_up=False).read("/dev/sda")

    assert HealthState.NO_SMARTCTL is state_of(read, told_health=False)


def test_every_state_has_its_own_sentence() -> None:
    """All nine states differ in their sentence and name the drive."""
    read = SmartctlRead(node="/dev/sda", end=RunEnd.ANSWERED)
    sentences = {state: sentence_for(state, read, drive="Drive A") for state in HealthState}

    assert len(HealthState) == len(set(sentences.values()))
    assert all("Drive A" in sentence for sentence in sentences.values())


def test_failed_command_carries_smartctls_words(told: Interpret) -> None:
    """What smartctl said about a failed command is in the sentence, for whoever looks further."""
    message = "Read Device Identity failed: Input/output error"

    assert message in told(envelope(status=2, messages=(message,))).reading.sentence
