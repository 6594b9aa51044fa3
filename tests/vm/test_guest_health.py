"""Real smartctl and pySMART on emulated drives; the emulator's own settings are the truth."""

import json
import math
from pathlib import Path
from typing import Any

import pytest

from tests.rigs.guest import Control, GuestRun, run_guest

pytestmark = pytest.mark.vm

LOOK = """
import json, sys
from datetime import UTC, datetime
from pathlib import Path
from ebbmark_agent.drives import scan
from ebbmark_agent.health import JsonSmartctl, examine

runner = JsonSmartctl()
told = {}
for drive in scan().drives:
    seen = examine(drive, now=datetime.now(UTC), runner=runner)
    told[drive.kernel_name] = {
        "facts": drive.facts.model_dump(mode="json"),
        "reading": seen.reading.model_dump(mode="json"),
        "identity": seen.identity.model_dump(mode="json") if seen.identity else None,
    }
Path(sys.argv[1]).write_text(json.dumps(told))
"""

WRITTEN = 1 << 30

JOB = f"""
export PYTHONWARNINGS=error::SyntaxWarning
echo "== before"
python look.py before.json
echo "== warn"
ask reliability
python look.py warned.json
ask heat
python look.py hot.json
ask well
python look.py healed.json
echo "== write"
dd if=/dev/zero of=/dev/nvme0n1 bs=4M count={WRITTEN >> 22} oflag=direct 2>&1 | tail -1
python look.py after.json
echo "== end"
"""


def _set(bits: int) -> Any:
    def answer(control: Control) -> object:
        return control.critical_warning("nvme0", bits)

    return answer


@pytest.fixture(scope="module")
def told(guest: None, tmp_path_factory: pytest.TempPathFactory) -> GuestRun:
    """Look at the guest's drives at several moments of one run."""
    answers = {"reliability": _set(0x04), "heat": _set(0x02), "well": _set(0)}
    return run_guest(tmp_path_factory.mktemp("guest"), JOB, answers=answers, files={"look.py": LOOK.encode()})


def _reading(run: GuestRun, moment: str, drive: str = "nvme0n1") -> dict[str, Any]:
    reading: dict[str, Any] = run.document(f"{moment}.json")[drive]["reading"]
    return reading


def test_an_nvme_drive_is_known_by_its_own_serial_and_path(told: GuestRun) -> None:
    """The emulated NVMe drive is found with its own serial on the NVMe bus."""
    drive = told.document("before.json")["nvme0n1"]

    assert drive["identity"]["serial"] == "RIGNVME0001"
    assert drive["identity"]["confidence"] == "own"
    assert drive["facts"]["path"]["bus"] == "nvme"
    assert drive["facts"]["capacity_bytes"] == 8 << 30


def test_a_sata_drive_is_known_by_its_own_serial_and_path(told: GuestRun) -> None:
    """The emulated SATA drive is found with its own serial on the SATA bus."""
    drive = told.document("before.json")["sda"]

    assert drive["identity"]["serial"] == "RIGSATA0001"
    assert drive["identity"]["confidence"] == "own"
    assert drive["facts"]["path"]["bus"] == "sata"


def test_both_emulated_drives_pass_their_self_assessment(told: GuestRun) -> None:
    """Healthy drives read as passed, though smartctl's exit bit 2 is set for a log the SATA drive lacks."""
    assert _reading(told, "before")["assessment"] == "passed"
    assert _reading(told, "before")["temperature_c"] == 50.0  # what the emulator states
    assert _reading(told, "before", "sda")["assessment"] == "passed"
    assert _reading(told, "before", "sda")["state"] == "read"
    assert _reading(told, "before", "sda")["temperature_c"] == 31.0  # what the emulator states


def test_a_critical_warning_set_from_outside_shows_in_the_next_reading(told: GuestRun) -> None:
    """Bit 2 reads as reliability degraded, bit 1 as temperature, and clearing them heals."""
    assert _reading(told, "before")["critical_warnings"] == []
    assert _reading(told, "warned")["critical_warnings"] == ["reliability_degraded"]
    assert _reading(told, "warned")["assessment"] == "failed"
    assert _reading(told, "hot")["critical_warnings"] == ["temperature_above_or_below_threshold"]
    assert _reading(told, "healed")["critical_warnings"] == []
    assert _reading(told, "healed")["assessment"] == "passed"


def test_spare_of_zero_with_a_threshold_of_zero_is_no_warning(told: GuestRun) -> None:
    """The emulator states spare 0 against threshold 0; that is not below it, so nothing warns."""
    reading = _reading(told, "before")

    assert reading["available_spare_percent"] in (0, None)
    assert "spare_below_threshold" not in reading["critical_warnings"]


def test_bytes_written_grow_by_what_the_guest_wrote(told: GuestRun) -> None:
    """A GiB written raises the drive's own count by that many bytes, rounded up to its units of 512,000.

    Source of the unit: NVM Express Base Specification, SMART / Health Information log, Data Units Written.
    """
    before = _reading(told, "before")["written_bytes"] or 0  # a count of 0 units means not reported
    after = _reading(told, "after")["written_bytes"]

    assert after - before == math.ceil(WRITTEN / 512_000) * 512_000


def test_a_virtual_disk_tells_no_health_in_a_sentence_of_its_own(told: GuestRun) -> None:
    """The guest's system disk is virtual: its state is no SMART, with a sentence, not an error."""
    reading = _reading(told, "before", "vda")

    assert reading["state"] == "no_smart"
    assert reading["sentence"]


def test_readings_are_documents_of_the_wire(told: GuestRun) -> None:
    """What the guest told validates as the wire's own model again."""
    from ebbmark_agent.report import HealthReading

    for moment in ("before", "warned", "hot", "healed", "after"):
        for drive in told.document(f"{moment}.json").values():
            HealthReading.model_validate_json(json.dumps(drive["reading"]))


def test_the_guest_folder_is_where_disks_are_sparse(told: GuestRun) -> None:
    """The stand-in disks cost no more room than what was written to them."""
    disk = Path(told.folder).parent / "nvme.img"

    assert disk.stat().st_blocks * 512 <= 2 * WRITTEN
