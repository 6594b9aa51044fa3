"""The plain package is the agent alone; the collector comes with an extra, and the bundle needs no index."""

import hashlib
import os
import subprocess
import sys
import tarfile
import venv
from pathlib import Path

import pytest
import requests

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
OFFLINE = {"PIP_NO_INDEX": "1", "PIP_CONFIG_FILE": os.devnull, "PIP_DISABLE_PIP_VERSION_CHECK": "1"}


def _run(*argv: object, **more: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [str(part) for part in argv],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **more},
        stdin=subprocess.DEVNULL,
    )


def _done(*argv: object, **more: str) -> str:
    done = _run(*argv, **more)
    assert done.returncode == 0, (argv, done.stdout[-1500:], done.stderr[-1500:])
    return done.stdout


@pytest.fixture(scope="module")
def plain(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh environment with the wheel and no extra."""
    place = tmp_path_factory.mktemp("plain") / "venv"
    venv.create(place, with_pip=True)
    _done(place / "bin" / "pip", "install", "-q", "--disable-pip-version-check", wheel)
    return place


@pytest.fixture(scope="module")
def bundle(deploy: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An offline bundle made by its script, unpacked."""
    folder = tmp_path_factory.mktemp("bundle")
    told = _done("sh", deploy / "make-bundle.sh", folder, PYTHON=sys.executable)
    archive = Path(told.strip().splitlines()[-1])
    with tarfile.open(archive) as tar:
        tar.extractall(folder, filter="data")
    return folder / archive.name.removesuffix(".tar.gz")


@pytest.fixture(scope="module")
def installed(bundle: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Both parts installed from the bundle alone, where there is no systemd to start them."""
    prefix = tmp_path_factory.mktemp("prefix") / "ebbmark"
    _done(
        "sh",
        bundle / "install.sh",
        "both",
        *("--prefix", prefix, "--no-services", "--python", sys.executable),
        **OFFLINE,
    )
    return prefix


def test_the_plain_package_is_an_agent_that_runs(plain: Path) -> None:
    """From the wheel alone the agent tells its version and knows its formats."""
    assert "ebbmark-agent, version" in _done(plain / "bin" / "ebbmark-agent", "--version")
    assert "prores" in _done(plain / "bin" / "ebbmark-agent", "formats").lower()


def test_the_plain_package_brings_none_of_the_collectors_libraries(plain: Path) -> None:
    """Neither the web framework nor the server, nor anything only they need, comes to a capture machine."""
    names = {line.split("==")[0].lower() for line in _done(plain / "bin" / "pip", "freeze").splitlines()}

    assert names.isdisjoint(
        {"flask", "waitress", "werkzeug", "jinja2", "granian", "psycopg", "apprise", "numpy"}
    )


def test_the_collector_says_what_to_install_where_its_extra_is_missing(plain: Path) -> None:
    """Without the extra the collector's command is one sentence that names the extra, and no traceback."""
    told = _run(plain / "bin" / "ebbmark-collector", "serve", "--data", "nowhere")

    assert told.returncode != 0
    assert "pip install 'ebbmark[collector]'" in told.stderr
    assert "Traceback" not in told.stderr


def test_a_bundle_holds_what_its_list_says(bundle: Path) -> None:
    """Every wheel stands in the list of checksums with its own, and the guide and settings come along."""
    listed = dict(
        reversed(line.split("  ")) for line in (bundle / "wheels" / "SHA256SUMS").read_text().splitlines()
    )
    found = {
        wheel.name: hashlib.sha256(wheel.read_bytes()).hexdigest()
        for wheel in (bundle / "wheels").glob("*.whl")
    }

    assert listed == found
    assert len(found) > 15
    for part in (
        "README.md",
        "agent.toml",
        "collector.toml",
        "systemd/ebbmark-agent.service",
        "uninstall.sh",
    ):
        assert (bundle / part).is_file(), part


def test_a_bundle_installs_without_an_index(installed: Path) -> None:
    """With the package index forbidden, both programs are there and run."""
    assert "version" in _done(installed / "bin" / "ebbmark-agent", "--version")
    assert "version" in _done(installed / "bin" / "ebbmark-collector", "--version")


def test_a_collector_from_a_bundle_serves(installed: Path, tmp_path: Path) -> None:
    """What the bundle installed answers over HTTP."""
    with subprocess.Popen(
        [
            *(str(installed / "bin" / "ebbmark-collector"), "serve"),
            *("--data", str(tmp_path / "data"), "--listen", "127.0.0.1:0"),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stdout is not None
        url = next(line.split()[-1] for line in process.stdout if line.startswith("listening on "))
        ready = requests.get(f"{url}/ready", timeout=10)
        process.terminate()

    assert ready.status_code == 200
    assert process.returncode == 0


def test_an_upgrade_can_be_undone(bundle: Path, installed: Path) -> None:
    """Installing again keeps the earlier programs beside the new ones; rollback puts them back in place."""
    mark = installed / "bin" / "which-installation"
    mark.write_text("earlier")
    install = ("sh", bundle / "install.sh")
    _done(*install, "both", "--prefix", installed, "--no-services", "--python", sys.executable, **OFFLINE)
    mark.write_text("later")
    told = _done(*install, "rollback", "--prefix", installed, "--no-services")

    assert mark.read_text() == "earlier"
    assert "Back at ebbmark-agent, version" in told
    assert not installed.with_name("ebbmark.previous").exists()
    assert "version" in _done(installed / "bin" / "ebbmark-collector", "--version")


def test_there_is_no_rollback_without_an_earlier_installation(bundle: Path, tmp_path: Path) -> None:
    """With nothing to go back to, the script says so and changes nothing."""
    told = _run("sh", bundle / "install.sh", "rollback", "--prefix", tmp_path / "none", "--no-services")

    assert told.returncode == 2
    assert "nothing to go back to" in told.stderr
