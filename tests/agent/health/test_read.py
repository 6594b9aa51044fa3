"""Reading a drive from end to end through a program in smartctl's place."""

import logging
import os
import subprocess
import sys
from datetime import datetime

import pytest
from ebbmark_agent.health import JsonSmartctl, examine, identity_of, read_health
from ebbmark_agent.report import HealthState, IdentityConfidence

from tests.agent.health.devices import SmartDeviceHere
from tests.agent.health.documents import ata, attribute, envelope, nvme
from tests.agent.health.stand_in import StandIn

BRIDGE_UNKNOWN = envelope(status=1, messages=("/dev/sdb: Unknown USB bridge [0x1234:0x5678 (0x100)]",))


def test_reading_and_identity_from_one_process(
    stand_in: StandIn, runner: JsonSmartctl, now: datetime
) -> None:
    """Health and names come from the same single process."""
    stand_in.answer("/dev/nvme0", nvme())
    found = examine(SmartDeviceHere(smart_node="/dev/nvme0"), now=now, runner=runner)

    assert now == found.reading.read_at
    assert found.identity is not None
    assert (found.identity.serial, found.identity.confidence) == ("INV-0001", IdentityConfidence.OWN)
    assert len(stand_in.calls()) == 1


def test_vanished_drive(runner: JsonSmartctl, now: datetime) -> None:
    """A drive that is not there any more is a state with a sentence."""
    reading = read_health(SmartDeviceHere(smart_node="/dev/sdq"), now=now, runner=runner)

    assert HealthState.VANISHED is reading.state
    assert "unplugged" in reading.sentence


def test_sleeping_disk_is_left_asleep(stand_in: StandIn, runner: JsonSmartctl, now: datetime) -> None:
    """A disk that stands still is asked so that it is not woken, and reads as asleep."""
    asleep = envelope(status=2, messages=("Device is in STANDBY mode, exit(2)",))
    stand_in.answer("/dev/sda", asleep, status=2)
    reading = read_health(SmartDeviceHere(smart_node="/dev/sda", may_sleep=True), now=now, runner=runner)

    assert HealthState.ASLEEP is reading.state
    assert "-n standby" in stand_in.calls()[0]


def test_unknown_bridge_is_tried_with_the_standard_type(
    stand_in: StandIn, runner: JsonSmartctl, now: datetime
) -> None:
    """Behind a bridge smartctl does not know, the standard's translation is tried and named when it works."""
    stand_in.answer("/dev/sdb", BRIDGE_UNKNOWN, status=1)
    stand_in.answer("/dev/sdb", ata(attributes=[attribute(9, "Power_On_Hours", 5)]), device_type="sat")
    found = examine(SmartDeviceHere(smart_node="/dev/sdb", over_usb=True), now=now, runner=runner)

    assert (found.reading.state, found.device_type) == (HealthState.READ, "sat")
    assert found.identity is not None
    assert IdentityConfidence.OWN is found.identity.confidence


def test_bridge_makers_own_type_is_tried_first(
    stand_in: StandIn, runner: JsonSmartctl, now: datetime
) -> None:
    """A bridge of a known maker is asked in that maker's way, whether or not pySMART knows the type."""
    stand_in.answer("/dev/sdb", BRIDGE_UNKNOWN, status=1)
    answer = nvme()
    answer["device"]["type"] = "sntjmicron"
    stand_in.answer("/dev/sdb", answer, device_type="sntjmicron")
    device = SmartDeviceHere(smart_node="/dev/sdb", over_usb=True, usb_vendor_id="152d")
    found = examine(device, now=now, runner=runner)

    assert (
        found.reading.state,
        found.device_type,
        found.reading.percentage_used,
    ) == (HealthState.READ, "sntjmicron", 3)
    assert len(stand_in.calls()) == 2


def test_bridge_that_stays_unknown(stand_in: StandIn, runner: JsonSmartctl, now: datetime) -> None:
    """Where no type works the sentence is about the bridge, not about the last try."""
    stand_in.answer("/dev/sdb", BRIDGE_UNKNOWN, status=1)
    failed = envelope(status=2, messages=("Read Device Identity failed: scsi error",))
    stand_in.answer("/dev/sdb", failed, status=2, device_type="sat")
    reading = read_health(SmartDeviceHere(smart_node="/dev/sdb", over_usb=True), now=now, runner=runner)

    assert HealthState.UNKNOWN_BRIDGE is reading.state
    assert "bridge" in reading.sentence


def test_named_type_is_used_alone(stand_in: StandIn, runner: JsonSmartctl, now: datetime) -> None:
    """A device type the owner names is used, and no other is tried."""
    stand_in.answer("/dev/sdb", BRIDGE_UNKNOWN, status=1, device_type="usbjmicron")
    device = SmartDeviceHere(smart_node="/dev/sdb", over_usb=True)
    found = examine(device, now=now, runner=runner, device_type="usbjmicron")

    assert HealthState.UNKNOWN_BRIDGE is found.reading.state
    assert len(stand_in.calls()) == 1


def test_no_names_no_identity(stand_in: StandIn, runner: JsonSmartctl, now: datetime) -> None:
    """A drive that tells no serial has no identity from smartctl."""
    assert identity_of(SmartDeviceHere(smart_node="/dev/sdq"), now=now, runner=runner) is None


@pytest.mark.parametrize("text", ["", "{", "[]", '{"smartctl": 5}', "\x00\x01", "=== START ===\n" * 50])
def test_rubbish_is_a_failed_command(
    stand_in: StandIn, runner: JsonSmartctl, now: datetime, text: str
) -> None:
    """Whatever a broken program prints, the read ends in a state."""
    stand_in.answer("/dev/sda", text, status=3)
    reading = read_health(SmartDeviceHere(smart_node="/dev/sda"), now=now, runner=runner)

    assert HealthState.COMMAND_FAILED is reading.state


def test_import_leaves_the_process_as_it_was() -> None:
    """Importing the readers changes neither the language of the process nor its logger class."""
    code = (
        "import logging, os; before = (os.environ.get('LANG'), logging.getLoggerClass());"
        "import ebbmark_agent.health;"
        "assert before == (os.environ.get('LANG'), logging.getLoggerClass()), os.environ.get('LANG')"
    )
    environment = {**os.environ, "LANG": "de_DE.UTF-8"}

    assert subprocess.run([sys.executable, "-c", code], env=environment, check=False).returncode == 0
    assert logging.Logger is logging.getLoggerClass()


def test_text_the_second_opinion_stumbles_over(
    stand_in: StandIn, runner: JsonSmartctl, now: datetime, caplog: pytest.LogCaptureFixture
) -> None:
    """Text that pySMART cannot read costs its opinion, which is logged, and nothing else."""
    answer = nvme()
    answer["smartctl"]["output"] = [
        *[""] * 4,
        "SMART/Health Information (NVMe Log 0x02)",
        "Critical Warning:                   none",
    ]
    stand_in.answer("/dev/nvme0", answer)
    with caplog.at_level(logging.WARNING):
        reading = read_health(SmartDeviceHere(smart_node="/dev/nvme0"), now=now, runner=runner)

    assert (reading.state, reading.percentage_used) == (HealthState.READ, 3)
    assert "pySMART could not read" in caplog.text


def test_type_of_an_old_releases_text_is_told_by_its_headings(
    stand_in: StandIn, runner: JsonSmartctl, now: datetime
) -> None:
    """Text without JSON names no type; its headings tell an NVMe drive, and its values are read."""
    text = (
        "smartctl 6.6 2017-11-05\n\n\n\nModel Number: Invented Flash 2\nSerial Number: INV-0007\n"
        "SMART overall-health self-assessment test result: PASSED\n\n"
        "SMART/Health Information (NVMe Log 0x02)\nCritical Warning: 0x00\nTemperature: 40 Celsius\n"
        "Percentage Used: 9%\nData Units Written: 1,000 [512 MB]\n\n"
    )
    stand_in.answer("/dev/nvme0", text)
    found = examine(SmartDeviceHere(smart_node="/dev/nvme0"), now=now, runner=runner)

    assert (found.reading.percentage_used, found.reading.written_bytes) == (9, 512_000_000)
    assert found.reading.sources["percentage_used"] == "pysmart:percentageUsed"
    assert found.identity is not None
    assert found.identity.serial == "INV-0007"
