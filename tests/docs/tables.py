"""The parts of the documents that are made from the program itself, between two marks on their page.

`python -m tests.docs` puts them in anew; a test fails where a page and the program differ.
"""

import inspect
import re
import tempfile
import types
import typing
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import ebbmark_agent.settings
import ebbmark_collector.settings
from ebbmark_agent import errors
from ebbmark_agent.cli import main as agent_commands
from ebbmark_agent.health.runner import RunEnd, SmartctlRead
from ebbmark_agent.health.states import sentence_for
from ebbmark_agent.report import HealthState, Report
from ebbmark_collector.cli import main as collector_commands
from ebbmark_collector.client import main as admin_commands
from ebbmark_collector.clock import Clock
from ebbmark_collector.http.app import create_app
from ebbmark_collector.http.operation import Services
from ebbmark_collector.store.sqlite import SqliteStore
from pydantic import BaseModel

from tests.docs.pages import ROOT

DOCS = ROOT / "docs"
SWITCHED_ON = {
    "body.inventory.volumes[].label": "privacy.send_labels",
    "body.inventory.volumes[].mount": "privacy.send_paths",
}


def cell(text: str) -> str:
    """Give a text as a cell of a table."""
    return " ".join(text.replace("|", "\\|").split())


def programs() -> dict[str, click.Command]:
    """Give every program of the distribution by its name."""
    return {
        "ebbmark-agent": agent_commands,
        "ebbmark-collector": collector_commands,
        "ebbmark": admin_commands,
    }


def every_command() -> Iterator[tuple[str, click.Command]]:
    """Give every command with the words that call it."""

    def walk(words: str, command: click.Command) -> Iterator[tuple[str, click.Command]]:
        yield words, command
        if isinstance(command, click.Group):
            for name, inner in command.commands.items():
                yield from walk(f"{words} {name}", inner)

    for name, program in programs().items():
        yield from walk(name, program)


def commands() -> str:
    """List every command with its options."""
    lines: list[str] = []
    for words, command in every_command():
        arguments = [one for one in command.params if isinstance(one, click.Argument)]
        options = [one for one in command.params if isinstance(one, click.Option) and not one.hidden]
        called = " ".join([words, *(_argument(one) for one in arguments)])
        level = "##" if " " not in words else "###"
        lines += [f"{level} `{called}`", "", _help(command), ""]
        for option in options:
            told = [cell(option.help or "")]
            told += ["Required."] if option.required else []
            told += (
                [f"Default {option.default}."] if option.show_default and option.default is not None else []
            )
            said = " ".join(one for one in told if one)
            lines.append(f"- `{_option(option, command)}`{': ' if said else ''}{said}")
        if options:
            lines.append("")
    return "\n".join(lines).strip()


def _argument(argument: click.Argument) -> str:
    if isinstance(argument.type, click.Choice):
        name = "|".join(str(one) for one in argument.type.choices)
    else:
        name = (argument.metavar or (argument.name or "").upper()).strip("[]")
    several = "..." if argument.nargs == -1 else ""
    return f"{name}{several}" if argument.required else f"[{name}{several}]"


def _option(option: click.Option, command: click.Command) -> str:
    names = ", ".join(option.opts + option.secondary_opts)
    if option.is_flag:
        return names
    value = option.metavar or option.make_metavar(click.Context(command))
    return f"{names} {re.sub('(FLOAT|INTEGER)( RANGE)?', 'NUMBER', value)}"


def _help(command: click.Command) -> str:
    return "\n\n".join(" ".join(part.split()) for part in (command.help or "").split("\n\n")).replace(
        "\f", ""
    )


METHODS = ("get", "post", "put", "patch", "delete")


def served_description() -> dict[str, Any]:
    """Give the description the collector serves."""
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "collector.db")
        try:
            settings = ebbmark_collector.settings.Settings()
            app = create_app(Services(store=store, clock=Clock(), settings=settings))
            described: dict[str, Any] = app.test_client().get("/openapi.json").get_json()
        finally:
            store.close()
    return described


def endpoints() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Give every endpoint: its method, its path, its description."""
    for path, item in served_description()["paths"].items():
        for method in METHODS:
            if method in item:
                yield method.upper(), path, item[method]


def api() -> str:
    """List every endpoint."""
    lines = ["| endpoint | what it does | tokens |", "|---|---|---|"]
    for method, path, one in endpoints():
        told = one.get("description") or ""
        whose = re.search(r"For ([a-z ]+) tokens?\.", told)
        rest = told.replace(whose[0], "") if whose else told
        tokens = whose[1].replace(" and ", ", ") if whose else "none"
        lines.append(f"| `{method} {path}` | {cell(one['summary'] + '. ' + rest)} | {tokens} |")
    return "\n".join(lines)


def setting_rows(model: type[BaseModel], at: str = "") -> Iterator[tuple[str, str, str]]:
    """Give every setting: its key, its default, what it is for."""
    for name, field in model.model_fields.items():
        inner = _model_in(field.annotation)
        many = inner is not None and field.annotation is not inner
        if inner is not None:
            yield from setting_rows(inner, f"{at}{name}{'[]' if many else ''}.")
            continue
        yield f"{at}{name}", _default(field), cell(field.description or "")


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for one in typing.get_args(annotation):
        found = _model_in(one)
        if found is not None:
            return found
    return None


def _default(field: Any) -> str:
    if field.is_required():
        return "required"
    if field.default_factory is not None:
        return "the system's place for state"
    value = field.default
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "`true`" if value else "`false`"
    if isinstance(value, tuple):
        return "`[" + ", ".join(f'"{one}"' for one in value) + "]`"
    return f"`{value}`"


def settings(model: type[BaseModel], example_file: Path) -> str:
    """List every setting of a program; where the model is short of words, its example has them."""
    example = _told_in_example(example_file)
    lines = ["| key | default | what it is for |", "|---|---|---|"]
    for key, default, told in setting_rows(model):
        lines.append(f"| `{key}` | {default} | {told or example.get(key.replace('[]', ''), '')} |")
    return "\n".join(lines)


def _told_in_example(path: Path) -> dict[str, str]:
    """Give what the example of the settings says of each key; what is said `as above` was said before."""
    told: dict[str, str] = {}
    section = ""
    for line in path.read_text(encoding="utf-8").splitlines():
        if heading := re.match(r"(?:# ?)?\[+([a-z_.]+)\]+", line):
            section = f"{heading[1]}."
        elif found := re.match(r"# ?(?P<key>[a-z_]+) = .*?\s# (?P<told>.+)$", line):
            text = re.sub(r"\s*(Not set: .*|Required\.)$", "", found["told"])
            above = next((one for key, one in told.items() if key.endswith(f".{found['key']}")), text)
            told[section + found["key"]] = cell(above if text == "As above." else text)
    return told


def wire_fields(model: type[BaseModel] = Report, at: str = "") -> Iterator[str]:
    """Give the path of every field a report can carry."""
    for name, field in model.model_fields.items():
        yield from _fields_of(field.annotation, f"{at}{name}")


def _fields_of(annotation: Any, path: str) -> Iterator[str]:
    origin, inner = typing.get_origin(annotation), typing.get_args(annotation)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield from wire_fields(annotation, f"{path}.")
    elif origin in {typing.Union, types.UnionType}:
        models = [one for one in inner if isinstance(one, type) and issubclass(one, BaseModel)]
        if len(models) > 1:
            for one in models:
                yield from wire_fields(one, f"{path}.{one.model_fields['kind'].default}.")
        else:
            yield from _fields_of(next(one for one in inner if one is not type(None)), path)
    elif origin in {tuple, list}:
        yield from _fields_of(inner[0], f"{path}[]")
    elif origin is typing.Annotated:
        yield from _fields_of(inner[0], path)
    else:
        yield path


def privacy() -> str:
    """List every field that can leave a machine, by what it belongs to; like groups stand once."""
    groups: dict[str, list[str]] = {}
    for path in wire_fields():
        before, _, name = path.rpartition(".")
        groups.setdefault(before.removeprefix("body."), []).append(
            f"`{name}` (only with `{SWITCHED_ON[path]}`)" if path in SWITCHED_ON else f"`{name}`"
        )
    alike: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for group, names in groups.items():
        whose, _, last = group.rpartition(".")
        alike.setdefault((last if whose else "", tuple(names)), []).append(group)
    lines = []
    for (_, names), where in alike.items():
        said = ", ".join(_spoken(one) for one in where)
        lines.append(f"- **{said or 'every report'}**: {', '.join(names)}")
    return "\n".join(lines)


def _spoken(group: str) -> str:
    return group.replace("[]", "").replace(".", " > ")


def error_classes() -> list[type[errors.AgentError]]:
    """Give every error of the agent that says a sentence of its own, by exit code."""
    found = [
        one
        for _, one in inspect.getmembers(errors, inspect.isclass)
        if issubclass(one, errors.AgentError) and "__init__" in vars(one)
    ]
    return sorted(found, key=lambda one: one.exit_code)


def sentence_of(error: type[errors.AgentError]) -> str:
    """Give an error's sentence, with capitals for what it is told."""
    told: dict[str, Any] = {}
    for name, one in inspect.signature(error).parameters.items():
        kind = str(one.annotation)
        if "tuple" in kind:
            told[name] = ("KEY: WHAT IS WRONG",)
        elif "int" in kind or "float" in kind:
            told[name] = {"status": 503, "error_number": 5, "retry_after_s": 60.0}.get(name, 2_000_000_000)
        else:
            told[name] = name.upper()
    return str(error(**told))


def error_table() -> str:
    """List what the agent's errors say, by exit code."""
    lines = ["| exit code | what it says |", "|---|---|"]
    lines += [f"| {one.exit_code} | {cell(sentence_of(one))} |" for one in error_classes()]
    return "\n".join(lines)


def health_table() -> str:
    """List what is said of each state in which a read of health may end."""
    lines = ["| state | what it says |", "|---|---|"]
    for state in HealthState:
        read = SmartctlRead(node="DRIVE", end=RunEnd.ANSWERED, exit_status=0)
        lines.append(f"| `{state.value}` | {cell(sentence_for(state, read, drive='DRIVE'))} |")
    failing = SmartctlRead(node="DRIVE", end=RunEnd.ANSWERED, exit_status=8)
    lines.append(f"| `read` | {cell(sentence_for(HealthState.READ, failing, drive='DRIVE'))} |")
    return "\n".join(lines)


PARTS: dict[tuple[str, str], Callable[[], str]] = {
    ("commands.md", "commands"): commands,
    ("api.md", "endpoints"): api,
    ("settings-agent.md", "settings"): lambda: settings(
        ebbmark_agent.settings.Settings, ROOT / "deploy" / "agent.toml"
    ),
    ("settings-collector.md", "settings"): lambda: settings(
        ebbmark_collector.settings.Settings, ROOT / "deploy" / "collector.toml"
    ),
    ("privacy.md", "fields"): privacy,
    ("troubleshooting.md", "errors"): error_table,
    ("troubleshooting.md", "health"): health_table,
}


def part_on_page(page: Path, name: str) -> str:
    """Give what stands between a part's marks.

    Raises:
        ValueError: The page has no such part.
    """
    found = _part(name).search(page.read_text(encoding="utf-8"))
    if found is None:
        raise ValueError(f"{page.name} has no part '{name}'")
    return found["text"].strip()


def write_all() -> None:
    """Put every part into its page anew."""
    for (page, name), make in PARTS.items():
        path = DOCS / page
        text = path.read_text(encoding="utf-8")
        found = _part(name).search(text)
        if found is None:
            raise ValueError(f"{page} has no part '{name}'")
        before, after = text[: found.start("text")], text[found.end("text") :]
        path.write_text(f"{before}\n{make()}\n\n{after}", encoding="utf-8")


def _part(name: str) -> re.Pattern[str]:
    return re.compile(
        rf"<!-- {name}: made by `python -m tests\.docs` -->\n(?P<text>.*?)<!-- end of {name} -->", re.DOTALL
    )
