"""Nothing of the program is missing from the documents, and nothing in them points nowhere."""

import ast
import re
from pathlib import Path

import ebbmark_agent
import pytest
from ebbmark_agent import errors
from ebbmark_agent.evidence.roles import Cadence
from ebbmark_agent.probe.request import SPOT_BYTES
from ebbmark_agent.report import HealthState
from ebbmark_agent.settings import LimitSettings
from ebbmark_collector.http.resources.enrolments import Claim

from tests.docs.pages import PAGES, ROOT
from tests.docs.tables import (
    DOCS,
    PARTS,
    SWITCHED_ON,
    cell,
    endpoints,
    error_classes,
    every_command,
    part_on_page,
    sentence_of,
    setting_rows,
    wire_fields,
)

_LINK = re.compile(r"\[[^\]]+\]\((?!https?:)(?P<to>[^)#]+)(?:#[^)]*)?\)")


@pytest.mark.parametrize(("page", "name"), PARTS, ids=str)
def test_what_is_made_from_the_program_is_as_the_program_is(page: str, name: str) -> None:
    """Commands, endpoints, settings, fields and errors on a page are those of the program as it stands."""
    made = PARTS[page, name]()

    assert made.strip() == part_on_page(DOCS / page, name), "put it in anew with: python -m tests.docs"


def test_every_command_and_option_stands_in_the_list() -> None:
    """The list of commands has every command, and below it every option."""
    page = (DOCS / "commands.md").read_text(encoding="utf-8")
    sections = dict(re.findall(r"^##+ `([a-z -]+)[^`]*`\n(.*?)(?=^##|\Z)", page, re.MULTILINE | re.DOTALL))
    told = {called.strip(): text for called, text in sections.items()}
    missing = []
    for words, command in every_command():
        options = [name for one in command.params for name in one.opts if name.startswith("--")]
        missing += [words] if words not in told else []
        missing += [f"{words} {name}" for name in options if f"`{name}" not in told.get(words, "")]

    assert missing == []


def test_every_endpoint_stands_in_the_list() -> None:
    """The list of endpoints has what the collector describes itself to serve."""
    page = (DOCS / "api.md").read_text(encoding="utf-8")

    assert [f"{method} {path}" for method, path, _ in endpoints() if f"`{method} {path}`" not in page] == []


@pytest.mark.parametrize("program", ["agent", "collector"])
def test_every_setting_has_words(program: str) -> None:
    """Each key of the settings stands with its default and with what it is for."""
    import ebbmark_agent.settings
    import ebbmark_collector.settings

    model = {"agent": ebbmark_agent.settings.Settings, "collector": ebbmark_collector.settings.Settings}[
        program
    ]
    page = (DOCS / f"settings-{program}.md").read_text(encoding="utf-8")

    assert [
        key
        for key, _, _ in setting_rows(model)
        if not re.search(rf"^\| `{re.escape(key)}` \| [^|]+ \| \S.* \|$", page, re.MULTILINE)
    ] == []


def test_every_error_stands_with_its_exit_code() -> None:
    """Each error of the agent stands in troubleshooting with what it says and how the command ends."""
    page = (DOCS / "troubleshooting.md").read_text(encoding="utf-8")
    own = {
        one for one in vars(errors).values() if isinstance(one, type) and issubclass(one, errors.AgentError)
    }
    families = {one for one in own if "__init__" not in vars(one)}

    assert own - families == set(error_classes())
    assert [
        one for one in error_classes() if f"| {one.exit_code} | {cell(sentence_of(one))} |" not in page
    ] == []


def test_every_health_state_stands_in_troubleshooting() -> None:
    """Each state in which a read of health may end stands with its sentence."""
    page = (DOCS / "troubleshooting.md").read_text(encoding="utf-8")

    assert [state for state in HealthState if f"| `{state.value}` | " not in page] == []


def refusal_codes() -> set[str]:
    """Give every code a refusal may bear, read from the agent's source."""
    found: set[str] = set()
    for path in Path(ebbmark_agent.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            called = node.func.id if isinstance(node.func, ast.Name) else ""
            if called in {"Refusal", "_quiet"}:
                found |= {
                    word.value.value
                    for word in node.keywords
                    if word.arg == "code" and isinstance(word.value, ast.Constant)
                }
    return found


def test_every_refusal_stands_in_troubleshooting_and_no_other() -> None:
    """Each code with which a probe is refused stands with what it means and what to do."""
    page = (DOCS / "troubleshooting.md").read_text(encoding="utf-8")
    section = page.split("## Why no probe runs", 1)[1].split("\n## ", 1)[0]

    assert refusal_codes() == set(re.findall(r"^\| `([a-z_]+)` \|", section, re.MULTILINE))


def test_what_needs_switching_on_is_a_field_that_can_leave() -> None:
    """What privacy settings hold back is on the wire; the page names switches and what enrolment tells."""
    page = (DOCS / "privacy.md").read_text(encoding="utf-8")

    assert set(SWITCHED_ON) <= set(wire_fields())
    assert [name for name in Claim.model_fields if f"`{name}`" not in page] == []
    assert all(f"`{switch}`" in page for switch in (*SWITCHED_ON.values(), "privacy.send_process_names"))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    """What a page links to in this repository is there."""
    text = page.read_text(encoding="utf-8")
    made = re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)

    assert [found["to"] for found in _LINK.finditer(made) if not (page.parent / found["to"]).exists()] == []


def test_every_page_is_in_the_index() -> None:
    """The index of the documents leads to each of them."""
    index = (DOCS / "README.md").read_text(encoding="utf-8")

    assert [
        page.name for page in DOCS.glob("*.md") if page.name != "README.md" and f"({page.name})" not in index
    ] == []


def test_the_readme_is_short_and_opens_with_the_job() -> None:
    """The README opens with one paragraph, then shows what happens; outside the transcript it is short."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    first = text.split("\n\n")[1]
    without_transcript = re.sub(r"<!-- transcript.*?<!-- end of transcript -->", "", text, flags=re.DOTALL)

    assert text.startswith("# Ebbmark\n\n")
    assert not first.startswith(("#", "```", "!", "[", "|", "-"))
    assert len(without_transcript.split()) < 700
    assert "![" not in text
    assert all(
        caution in text for caution in ("wear", "about to record", "no backup", "make demo", "make test")
    )


def _named_commands(page: Path) -> set[str]:
    """Give the commands of ours that a page names in its running text."""
    text = page.read_text(encoding="utf-8")
    made = re.sub(
        r"^```.*?^```$|<!-- .*? made by .*?<!-- end of .*?-->", "", text, flags=re.MULTILINE | re.DOTALL
    )
    return set(re.findall(r"`(ebbmark(?:-agent|-collector)? [^`]+)`", made))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_named_in_the_text_exist(page: Path) -> None:
    """A command that a page only names is one of the program, with options that it has."""
    known = dict(every_command())
    wrong = []
    for named in _named_commands(page):
        words = named.split()
        command = known.get(" ".join(words[:2]))
        options = {word for word in words if word.startswith("--")}
        if words[1].startswith("--"):
            command = known[words[0]]
        if command is None or options - {"--help", *(name for one in command.params for name in one.opts)}:
            wrong.append(named)

    assert wrong == []


def test_the_figures_of_what_a_probe_writes_are_the_programs() -> None:
    """Sizes and budgets on the page are the defaults in force."""
    page = (DOCS / "what-a-probe-writes.md").read_text(encoding="utf-8")
    limits = LimitSettings()
    told = (
        f"else {Cadence().spot_bytes / 1e6:.0f} MB",
        f"{SPOT_BYTES / 1e9:g} GB by hand",
        f"{limits.wear_share_a_year:.0%}".replace("%", " %") + " of the rated endurance in 365 days",
        f"else {limits.unrated_bytes_a_day / 1e9:g} GB a day",
        f"once in {limits.rest_after_probe_s / 3600:g} h",
    )

    assert [one for one in told if one not in " ".join(page.split())] == []
