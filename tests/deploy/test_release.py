"""What a release consists of: packages, a lock with hashes that installs, a bill of materials, checksums."""

import hashlib
import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.rigs.wheel import ROOT

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


@pytest.fixture(scope="module")
def release(deploy: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A release, made by its script; making it installs by the lock with hashes required."""
    folder = tmp_path_factory.mktemp("release")
    done = subprocess.run(
        ["sh", str(deploy / "make-release.sh"), str(folder)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHON": sys.executable},
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return folder


def _locked(release: Path) -> dict[str, str]:
    found = re.findall(
        r"^([a-z0-9][a-z0-9._-]*)==(\S+) \\\n    --hash=sha256:",
        (release / "requirements.lock").read_text(),
        re.MULTILINE,
    )
    return dict(found)


def test_every_locked_package_has_a_hash(release: Path) -> None:
    """No line of the lock names a package without one."""
    text = (release / "requirements.lock").read_text()

    assert len(_locked(release)) == len(re.findall(r"^[a-z0-9][^\s#]*==", text, re.MULTILINE)) > 25


def test_the_lock_holds_all_that_the_project_names(release: Path) -> None:
    """Every library of the project and of its extras is in the lock."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"].values()
    named = [*project["dependencies"], *(one for extra in extras for one in extra)]
    wanted = {re.split(r"[\[<>=,;! ]", one, maxsplit=1)[0].lower() for one in named}

    assert wanted <= set(_locked(release))


def test_the_bill_of_materials_lists_what_the_lock_installs(release: Path) -> None:
    """The bill is CycloneDX, names the project as its subject, and has each locked package at its version."""
    bill = json.loads((release / "ebbmark.cdx.json").read_text())
    listed = {part["name"].lower().replace("_", "-"): part["version"] for part in bill["components"]}

    assert bill["bomFormat"] == "CycloneDX"
    assert bill["metadata"]["component"]["name"] == "ebbmark"
    assert _locked(release).items() <= listed.items()


def test_the_checksums_are_those_of_the_files(release: Path) -> None:
    """Every file of the release stands in the list with its own checksum."""
    listed = dict(reversed(line.split("  ")) for line in (release / "SHA256SUMS").read_text().splitlines())
    files = [path for path in release.iterdir() if path.name != "SHA256SUMS"]

    assert listed == {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}
    assert {path.suffix for path in files} == {".whl", ".gz", ".lock", ".json"}
