"""The systemd units: known to systemd word for word, and as closed as they are said to be."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed (Debian: systemd)"
)
UNITS = ("ebbmark-agent", "ebbmark-collector")
# [1] of 10; systemd-analyze security counts what a service could do, 10 being everything.
MOST_EXPOSED = {"ebbmark-agent": 3.0, "ebbmark-collector": 1.5}


def _verify(unit: Path) -> str:
    told = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", f"./{unit.name}"],
        cwd=unit.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    return told.stderr + told.stdout


def _with_a_program(deploy: Path, unit: str, folder: Path) -> Path:
    """Copy a unit so that its program is there; only a missing program is put right."""
    text = (deploy / "systemd" / f"{unit}.service").read_text()
    copy = folder / f"{unit}.service"
    copy.write_text(re.sub(r"/opt/ebbmark/bin/\S+", "/bin/true", text))
    return copy


@pytest.mark.parametrize("unit", UNITS)
def test_systemd_has_nothing_to_say_about_a_unit(deploy: Path, tmp_path: Path, unit: str) -> None:
    """Verifying prints nothing: an unknown key alone would be a line on stderr and exit code 0."""
    assert _verify(_with_a_program(deploy, unit, tmp_path)) == ""


def test_a_misspelt_key_would_be_seen(deploy: Path, tmp_path: Path) -> None:
    """The same check speaks up when a key of a unit is misspelt."""
    copy = _with_a_program(deploy, "ebbmark-agent", tmp_path)
    copy.write_text(copy.read_text().replace("WatchdogSec=", "WatchdogSecs="))

    assert "WatchdogSecs" in _verify(copy)


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_is_closed_as_far_as_said(deploy: Path, unit: str) -> None:
    """The exposure that systemd-analyze works out stays below the bar for each unit."""
    told = subprocess.run(
        [
            "systemd-analyze",
            "security",
            "--offline=true",
            "--no-pager",
            deploy / "systemd" / f"{unit}.service",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", told.stdout)

    assert found is not None
    assert float(found[1]) < MOST_EXPOSED[unit]


def test_each_power_the_agent_keeps_is_explained(deploy: Path) -> None:
    """Every capability in the agent's bounding set has a comment line that says what for."""
    text = (deploy / "systemd" / "ebbmark-agent.service").read_text()
    kept = re.search(r"^CapabilityBoundingSet=(.+)$", text, re.MULTILINE)

    assert kept is not None
    for capability in kept[1].split():
        assert re.search(rf"^#\s+{capability}\s+\S+", text, re.MULTILINE), capability


def test_the_exit_codes_that_stop_restarting_are_the_agents_own(deploy: Path) -> None:
    """Restarting is given up only for settings and enrolment, by the agent's own exit codes."""
    from ebbmark_agent import errors

    text = (deploy / "systemd" / "ebbmark-agent.service").read_text()
    codes = re.search(r"^RestartPreventExitStatus=(.+)$", text, re.MULTILINE)
    wanted = {
        errors.SettingsError,
        errors.SettingsMissingError,
        errors.NotEnrolledError,
        errors.TokenFileError,
        errors.InsecureCollectorError,
    }

    assert codes is not None
    assert {int(code) for code in codes[1].split()} == {error.exit_code for error in wanted}
