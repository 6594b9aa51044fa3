"""Thirty-four recorded real drives: what the readers make of them agrees with what their recorder published.

Source: the test data of pySMART's source distribution (tests/dataset/singletests, LGPL-2.1-or-later), fetched
from the package registry in the version installed here and never kept in this repository. Each folder holds
smartctl's text for one drive and a `device.json` with the values pySMART's authors expect of it.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.health import Examination, JsonSmartctl, examine
from ebbmark_agent.report import Assessment, HealthState

from tests.agent.health.devices import SmartDeviceHere
from tests.agent.health.stand_in import replay_program

CACHE = Path(__file__).parents[2] / ".cache" / "recorded-drives"
DRIVES = 34
NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)

# The drives' own word on life left, by the attribute names whose normalised value is that percentage.
_LIFE_LEFT = re.compile(
    r"^\s*\d+ (?:Media_Wearout_Indicator|SSD_Life_Left|Percent_Lifetime_Remain)\s+0x\w+\s+0*(\d+)\s",
    re.MULTILINE,
)


@dataclass(frozen=True)
class Recorded:
    """One drive as recorded and as expected, with what our readers made of it."""

    expected: dict[str, Any]
    text: str
    found: Examination


@pytest.fixture(scope="session")
def recordings() -> list[Path]:
    """Fetch the recordings once and give their folders in order."""
    release = version("pysmart")
    data = CACHE / f"pysmart-{release}" / "tests" / "dataset" / "singletests"
    if not data.is_dir():
        _fetch(release)
    return sorted(folder for folder in data.iterdir() if (folder / "device.json").is_file())


def _fetch(release: str) -> None:
    CACHE.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", ":all:"]
    try:
        subprocess.run(
            [*command, "--dest", str(CACHE), f"pySMART=={release}"],
            check=True,
            capture_output=True,
            timeout=240,
        )
        archive = next(CACHE.glob(f"[Pp]y[Ss][Mm][Aa][Rr][Tt]-{release}.tar.gz"))
        with tarfile.open(archive) as packed:
            packed.extractall(CACHE, filter="data")
    except (OSError, StopIteration, subprocess.SubprocessError) as trouble:
        reason = (
            f"the recorded drives of pySMART {release} cannot be fetched from the package registry: {trouble}"
        )
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)


@pytest.fixture(scope="module", params=range(DRIVES), ids=lambda number: f"drive-{number + 1:02d}")
def recorded(
    request: pytest.FixtureRequest, recordings: list[Path], tmp_path_factory: pytest.TempPathFactory
) -> Recorded:
    """Play one recording through a program in smartctl's place and read it as any drive is read."""
    if shutil.which("sh") is None:
        pytest.skip("no POSIX shell to play the recordings back with")
    folder = recordings[request.param]
    expected = json.loads((folder / "device.json").read_text(encoding="utf-8"))
    text = next(file for file in folder.glob("_-d_*_--all_*") if "dev" in file.name.lower())
    device_type = re.search(r"_-d_(.*?)_--all_", text.name)
    assert device_type is not None
    runner = JsonSmartctl(program=replay_program(tmp_path_factory.mktemp("replay") / "smartctl", folder))
    found = examine(
        SmartDeviceHere(smart_node=expected["name"]), now=NOW, runner=runner, device_type=device_type.group(1)
    )
    content = text.read_bytes().decode("utf-8", errors="replace")
    return Recorded(expected=expected["values"], text=content, found=found)


def test_all_drives_are_there(recordings: list[Path]) -> None:
    """The published recordings are as many as were tried, so that none is left out unnoticed."""
    assert len(recordings) == DRIVES


def test_assessment_agrees(recorded: Recorded) -> None:
    """The overall assessment is the published one; none published means none told."""
    published = {"PASS": Assessment.PASSED, "FAIL": Assessment.FAILED, None: Assessment.UNKNOWN}

    assert published[recorded.expected["assessment"]] is recorded.found.reading.assessment


def test_serial_agrees(recorded: Recorded) -> None:
    """The serial number is the published one."""
    assert recorded.found.identity is not None
    assert recorded.expected["serial"] == recorded.found.identity.serial


def test_state_agrees(recorded: Recorded) -> None:
    """A drive published as able to tell SMART is read; one that is not says that it tells none."""
    able = HealthState.READ if recorded.expected["smart_capable"] else HealthState.NO_SMART

    assert able is recorded.found.reading.state


def test_temperature_agrees(recorded: Recorded) -> None:
    """The temperature is the published one, except where it is a filling.

    Explained difference: two RAID controllers' volumes, which tell no SMART, answer 0 °C; the standard's
    page says 0 for "0 °C or colder", and a volume has no temperature, so nothing is reported.
    """
    published = recorded.expected["temperature"]
    if not recorded.expected["smart_capable"] and published == 0:
        published = None

    assert published == recorded.found.reading.temperature_c


def test_wear_agrees(recorded: Recorded) -> None:
    """Percentage used is the published one: NVMe's own, SAS's endurance indicator, ATA's named attribute.

    pySMART publishes no wear for ATA; there the recorded text's own line is the reference.
    """
    attributes = recorded.expected["if_attributes"] or {}
    life_left = (attributes.get("diagnostics") or {}).get("Life_Left")
    named = _LIFE_LEFT.search(recorded.text)
    expected = None
    if "percentageUsed" in attributes:
        expected = attributes["percentageUsed"]
    elif life_left is not None:
        expected = 100 - life_left
    elif named is not None:
        expected = 100 - int(named.group(1))

    assert expected == recorded.found.reading.percentage_used


def test_written_bytes_agree(recorded: Recorded) -> None:
    """Bytes written are the published count.

    Explained differences: pySMART's `bytesWritten` repeats smartctl's bracket, which is cut off after three
    figures; ours is the data units times 512 000 and so up to one unit of the third figure more. A count of
    0 units means "not reported" (NVM Express Base Specification 2.0, log 02h), so nothing is reported.
    """
    attributes = recorded.expected["if_attributes"] or {}
    found = recorded.found.reading.written_bytes
    if "dataUnitsWritten" in attributes:
        units = attributes["dataUnitsWritten"]
        expected = units * 512_000 or None

        assert expected == found
        assert found is None or -1 <= found - attributes["bytesWritten"] < 0.01 * found
    elif (attributes.get("diagnostics") or {}).get("Writes_GB"):
        assert round(attributes["diagnostics"]["Writes_GB"] * 10**9) == found


def test_nvme_counters_agree(recorded: Recorded) -> None:
    """Hours, cycles, unsafe shutdowns, media errors and spare of the NVMe drives are the published ones."""
    attributes = recorded.expected["if_attributes"] or {}
    if "percentageUsed" not in attributes:
        return
    reading = recorded.found.reading
    published = tuple(
        attributes[key]
        for key in (
            "powerOnHours",
            "powerCycles",
            "unsafeShutdowns",
            "integrityErrors",
            "availableSpare",
            "availableSpareThreshold",
        )
    )

    assert published == (
        reading.power_on_hours,
        reading.power_cycles,
        reading.unsafe_shutdowns,
        reading.media_errors,
        reading.available_spare_percent,
        reading.available_spare_threshold_percent,
    )
