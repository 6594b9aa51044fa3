"""What the machine and the program know, from the command line."""

import json
from pathlib import Path

import pytest

from tests.agent.cli.conftest import Run


def test_formats_list_what_probe_takes(run: Run) -> None:
    """Every listed format has a name, a rate and its source; roles stand beside them."""
    document = json.loads(run("formats", "--json").stdout)

    assert any(one["name"] == "prores-422-hq-uhd-59.94" for one in document["formats"])
    assert all(one["rate_bytes_per_s"] > 0 and one["source"] for one in document["formats"])
    assert all(one["demand_bytes_per_s"] >= one["rate_bytes_per_s"] for one in document["roles"])


def test_the_houses_own_formats_are_known(run: Run, tmp_path: Path) -> None:
    """A format file named in the settings adds to the shipped ones; a mistake in it is told with its line."""
    path = tmp_path / "formats.toml"
    path.write_text('[[free]]\nname = "four-camera-show"\nmbyte_per_s = 120\nsource = "measured"\n')
    listed = json.loads(run("formats", "--json", EBBMARK_HOUSE_FORMATS_FILE=str(path)).stdout)["formats"]
    known = run(
        "probe", str(tmp_path / "none"), "--for", "four-camera-show", EBBMARK_HOUSE_FORMATS_FILE=str(path)
    )
    unknown = run("probe", str(tmp_path / "none"), "--for", "four-camera-show")
    path.write_text('[[free]]\nname = "four-camera-show"\nmbyte_per_s = -1\n')
    wrong = run("check-config", EBBMARK_HOUSE_FORMATS_FILE=str(path))

    assert {one["name"]: one["rate_bytes_per_s"] for one in listed}["four-camera-show"] == 120e6
    assert len(listed) > 1000
    assert known.exit_code == 41  # the format is understood, the folder is not there
    assert unknown.exit_code == 38
    assert wrong.exit_code == 32
    assert "line 3" in wrong.stderr


def test_formats_read_as_a_table(run: Run) -> None:
    """For people the formats stand in columns with their rate in MB/s."""
    assert "prores-422-hq-uhd-59.94" in run("formats").stdout


def test_an_unknown_drive_is_a_sentence(run: Run) -> None:
    """A serial nobody has is an error with its own code that says where to look."""
    result = run("health", "no-such-serial")

    assert result.exit_code == 51
    assert "ebbmark-agent drives" in result.stderr


def test_drives_are_listed(run: Run) -> None:
    """The list has this machine's drives and volumes, and is one JSON object when asked."""
    document = json.loads(run("drives", "--json").stdout)

    assert {"drives", "volumes", "remarks"} <= document.keys()
    assert run("drives").exit_code == 0


def test_without_smartctl_health_says_what_to_install(run: Run, tmp_path: Path) -> None:
    """A smartctl that is not there is its own exit code, and the sentence names the package."""
    if not json.loads(run("drives", "--json").stdout)["drives"]:
        pytest.skip("this machine shows no drives at all")
    result = run("health", EBBMARK_HEALTH_SMARTCTL_PATH=str(tmp_path / "none"))

    assert result.exit_code == 50
    assert "smartmontools" in result.stderr


def test_why_tells_the_install_default(run: Run) -> None:
    """As installed, why says that the owner has not allowed writes, volume by volume."""
    document = json.loads(run("why", "--watch-s", "0", "--json").stdout)

    for volume in document["volumes"]:
        assert "writes_not_allowed" in {one["code"] for one in volume["refused"]}
        assert volume["probed_bytes_365_days"] == 0
