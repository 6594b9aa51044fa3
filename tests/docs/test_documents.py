"""Runs every command in the documents as a reader would: a real collector, a real agent, a stand-in drive."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.docs.pages import PAGES, ROOT, Typed, run_elsewhere, steps
from tests.docs.studio import ADDRESS, come_home, free_address, settle_in, slow_drive, type_or_fail
from tests.docs.terminal import Terminal
from tests.rigs.fixtures import rig

__all__ = ["rig"]

FROM_NOTHING = {
    "first-alert.md"
}  # its reader has nothing yet; the others' have a collector and an enrolled agent
ON_A_DRIVE = {"first-alert.md", "reading-a-verdict.md", "what-a-probe-writes.md"}

# What needs root, a service manager or minutes, why it is not run here, and what runs it instead.
ELSEWHERE = {
    "make demo": ("takes minutes, its set-up apart", "tests/fleet/test_demo.py"),
    "make test": ("is this very run", ".ci/run"),
}


def _typed_pages() -> list[Path]:
    return [page for page in PAGES if any(isinstance(one, Typed) for one in steps(page))]


@dataclass(frozen=True, kw_only=True)
class Settled:
    """Where a reader has settled in, and what stands on the pages for what is there."""

    folder: Path
    stand_for: dict[str, str]


@pytest.fixture(scope="session")
def settled(tmp_path_factory: pytest.TempPathFactory) -> Settled:
    """A collector's data and an enrolled agent's state, made once and copied for each page."""
    folder = tmp_path_factory.mktemp("settled")
    with Terminal(folder, stand_for={ADDRESS: free_address()}) as terminal:
        settle_in(terminal)
        return Settled(folder=folder, stand_for=terminal.stand_for)


def _read(page: Path, terminal: Terminal) -> None:
    for step in steps(page):
        if isinstance(step, Typed):
            command = step.command
            if command.startswith("ebbmark-collector serve") and "--listen" not in command:
                command += f" --listen {ADDRESS}"
            type_or_fail(terminal, command, exit_code=step.exit_code, shown=step.shown)
        else:
            terminal.write(step.name, step.text)


@pytest.mark.parametrize(
    "page", [one for one in _typed_pages() if one.name not in ON_A_DRIVE], ids=lambda page: page.name
)
def test_a_page_runs_as_it_stands(page: Path, tmp_path: Path, settled: Settled) -> None:
    """Each command of a page runs, ends and reads as the page says."""
    with Terminal(tmp_path, stand_for=settled.stand_for) as terminal:
        come_home(terminal, settled.folder)
        _read(page, terminal)


@pytest.mark.rig
@pytest.mark.parametrize(
    "page", [one for one in _typed_pages() if one.name in ON_A_DRIVE], ids=lambda page: page.name
)
def test_a_page_about_a_drive_runs_as_it_stands(page: Path, tmp_path: Path, rig: None) -> None:
    """Each command of a page that probes a drive runs, ends and reads as the page says."""
    with Terminal(tmp_path, stand_for={ADDRESS: free_address()}) as terminal, slow_drive(terminal):
        if page.name not in FROM_NOTHING:
            terminal.type("export EBBMARK_STATE_DIR=$PWD/agent")
        _read(page, terminal)


def _all_elsewhere() -> Iterator[tuple[str, str]]:
    for page in PAGES:
        for command in run_elsewhere(page):
            yield page.name, command


def test_what_is_not_run_here_says_why_and_where() -> None:
    """A command that is marked as run elsewhere is listed with its reason and with what runs it."""
    unexplained = [
        f"{page}: {command}"
        for page, command in _all_elsewhere()
        if not any(command.startswith(known) for known in ELSEWHERE)
    ]
    unused = [
        known for known in ELSEWHERE if not any(command.startswith(known) for _, command in _all_elsewhere())
    ]
    missing = [where for _, where in ELSEWHERE.values() if not (ROOT / where).exists()]

    assert unexplained == []
    assert unused == []
    assert missing == []
