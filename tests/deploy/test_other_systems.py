"""The files for macOS and Windows, as far as they can be looked at from Linux. They have not been run."""

import plistlib
import re
from pathlib import Path

import pytest

# launchd.plist(5), from memory: the keys used here and the type each takes.
LAUNCHD_KEYS = {
    "Label": str,
    "ProgramArguments": list,
    "EnvironmentVariables": dict,
    "UserName": str,
    "RunAtLoad": bool,
    "KeepAlive": (bool, dict),
    "ThrottleInterval": int,
    "ProcessType": str,
    "LowPriorityIO": bool,
    "Nice": int,
    "Umask": int,
    "ExitTimeOut": int,
    "StandardErrorPath": str,
    "StandardOutPath": str,
}
PLISTS = ("studio.ebbmark.agent.plist", "studio.ebbmark.collector.plist")


@pytest.mark.parametrize("name", PLISTS)
def test_a_launchd_file_is_a_property_list_of_documented_keys(deploy: Path, name: str) -> None:
    """Each file parses, has only keys that launchd documents, each of its type, and its own name as label."""
    document = plistlib.loads((deploy / "launchd" / name).read_bytes())

    assert document["Label"] == name.removesuffix(".plist")
    for key, value in document.items():
        assert isinstance(value, LAUNCHD_KEYS[key]), key


@pytest.mark.parametrize("name", PLISTS)
def test_a_launchd_file_starts_a_command_that_exists(deploy: Path, name: str) -> None:
    """The program is one of ours and its command one it has; files of ours are for their owner alone."""
    import click
    from ebbmark_agent.cli import main as agent
    from ebbmark_collector.cli import main as collector

    document = plistlib.loads((deploy / "launchd" / name).read_bytes())
    program, command = document["ProgramArguments"][:2]
    commands = {"ebbmark-agent": agent, "ebbmark-collector": collector}[Path(program).name]

    assert isinstance(commands, click.Group)
    assert command in commands.commands
    assert document["Umask"] == 0o077
    assert document["KeepAlive"] == {"SuccessfulExit": False}


def _without_strings_and_comments(text: str) -> str:
    text = re.sub(r"<#.*?#>", "", text, flags=re.DOTALL)
    text = re.sub(r'"(?:`.|[^"`])*"', '""', text)
    text = re.sub(r"'[^']*'", "''", text)
    return re.sub(r"#.*", "", text)


def test_the_windows_script_is_balanced(deploy: Path) -> None:
    """Every bracket of the script is closed in order. PowerShell itself is not at hand here."""
    pairs = {")": "(", "]": "[", "}": "{"}
    waiting: list[str] = []
    for character in _without_strings_and_comments((deploy / "windows" / "register-agent.ps1").read_text()):
        if character in pairs.values():
            waiting.append(character)
        elif character in pairs:
            assert waiting
            assert waiting.pop() == pairs[character]

    assert waiting == []


def test_the_windows_script_continues_lines_only_where_it_says_so(deploy: Path) -> None:
    """A backtick that continues a line is its last character: a blank after it would end the command."""
    for line in (deploy / "windows" / "register-agent.ps1").read_text().splitlines():
        assert not re.search(r"`\s+$", line), line


@pytest.mark.parametrize(
    "part", ["launchd/studio.ebbmark.agent.plist", "windows/register-agent.ps1", "README.md"]
)
def test_what_has_not_been_run_says_so(deploy: Path, part: str) -> None:
    """The files for macOS and Windows, and the first screen of the guide, say that they have not been run."""
    beginning = "\n".join((deploy / part).read_text().splitlines()[:25])

    assert re.search(r"not (yet )?(been )?run", beginning)
