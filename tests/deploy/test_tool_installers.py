"""pipx and uv install the agent from its wheel, its programs run, and an uninstall leaves nothing of it."""

import os
import subprocess
import sys
import venv
from dataclasses import dataclass, field
from pathlib import Path

import pytest

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
PIPX_LOCK = ".ebbmark.lock"  # pipx's own, empty: it keeps one for each name it was ever asked for
PROGRAMS = {"ebbmark", "ebbmark-agent", "ebbmark-collector"}


def _done(*argv: object, **more: str) -> str:
    done = subprocess.run(
        [str(part) for part in argv],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **more},
        stdin=subprocess.DEVNULL,
        timeout=300,
    )
    assert done.returncode == 0, (argv, done.stdout[-1500:], done.stderr[-1500:])
    return done.stdout


@dataclass(frozen=True, kw_only=True)
class Installer:
    """A tool that installs programs: what is typed, and where it puts things."""

    install: tuple[object, ...]
    uninstall: tuple[object, ...]
    home: Path
    programs: Path
    environment: dict[str, str] = field(default_factory=dict)


@pytest.fixture(scope="module")
def tools(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The programs of a fresh environment that holds pipx and uv."""
    place = tmp_path_factory.mktemp("tools") / "venv"
    venv.create(place, with_pip=True)
    _done(place / "bin" / "pip", "install", "-q", "--disable-pip-version-check", "pipx", "uv")
    return place / "bin"


@pytest.fixture(scope="module")
def wheels(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The agent's wheel with all it needs in one folder: each tool asks indexes its own way, if at all."""
    folder = tmp_path_factory.mktemp("wheels")
    _done(sys.executable, "-m", "pip", "wheel", "-q", "-w", folder, wheel)
    return folder


@pytest.fixture(params=["pipx", "uv"])
def installer(
    request: pytest.FixtureRequest, tools: Path, wheel: Path, wheels: Path, tmp_path: Path
) -> Installer:
    """One of the two, with folders of its own."""
    home, programs = tmp_path / "home", tmp_path / "programs"
    if request.param == "pipx":
        from_folder = f"--no-index --find-links {wheels}"
        return Installer(
            install=(
                *(tools / "pipx", "install", "--python", sys.executable),
                *("--pip-args", from_folder, wheel),
            ),
            uninstall=(tools / "pipx", "uninstall", "ebbmark"),
            home=home,
            programs=programs,
            environment={
                "PIPX_HOME": str(home),
                "PIPX_BIN_DIR": str(programs),
                "PIPX_MAN_DIR": str(tmp_path / "man"),
            },
        )
    return Installer(
        install=(
            *(tools / "uv", "tool", "install", "--offline", "--python", sys.executable),
            *("--no-index", "--find-links", wheels, wheel),
        ),
        uninstall=(tools / "uv", "tool", "uninstall", "ebbmark"),
        home=home,
        programs=programs,
        environment={
            "UV_TOOL_DIR": str(home),
            "UV_TOOL_BIN_DIR": str(programs),
            "UV_CACHE_DIR": str(tmp_path / "cache"),
        },
    )


def test_a_tool_installs_the_agent_and_leaves_nothing_of_it(installer: Installer) -> None:
    """The programs are on the path and run; after the uninstall no program, folder or package is left."""
    _done(*installer.install, **installer.environment)
    installed = {path.name for path in installer.programs.iterdir()}
    agent = installer.programs / "ebbmark-agent"
    version, formats = _done(agent, "--version"), _done(agent, "formats")
    within = [path for path in installer.home.rglob("ebbmark_agent") if path.is_dir()]
    _done(*installer.uninstall, **installer.environment)
    left = [path for path in installer.home.rglob("*") if "ebbmark" in path.name]
    left = [path for path in left if path.name != PIPX_LOCK or path.stat().st_size > 0]

    assert installed == PROGRAMS
    assert version.startswith("ebbmark-agent, version")
    assert "prores" in formats
    assert len(within) == 1
    assert left == []
    assert not installer.programs.exists() or list(installer.programs.iterdir()) == []
