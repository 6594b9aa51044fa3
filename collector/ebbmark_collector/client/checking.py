"""The command that checks a file before it is used: its own, a collector's, roles, recording formats."""

import tomllib
from pathlib import Path

import click
from ebbmark_agent.evidence import DefinitionError, load_roles

from ebbmark_collector import settings as collector_settings
from ebbmark_collector.client.failures import ClientSettingsError
from ebbmark_collector.client.frame import Desk, main, works_at_a_desk
from ebbmark_collector.client.words import plain
from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.intake.rulebook import formats_with, is_of_the_house, shipped_formats

_FORMAT_SECTIONS = {
    *("rasters", "frame_rates", "target_rates", "fixed_frames", "macroblock_frames", "packings"),
    *("labelled_rates", "audio", "free", "write_classes"),
}


def _check(path: Path) -> str:
    """Check one file and say what it is.

    Raises:
        ClientSettingsError: With every fault found.
    """
    try:
        text = path.read_text(encoding="utf-8")
        tables = tomllib.loads(text)
    except OSError as error:
        raise ClientSettingsError(f"{path} cannot be read: {error.strerror}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ClientSettingsError(f"{path} is not TOML: {error}.") from error
    if "role" in tables:
        try:
            roles = load_roles(text, shipped_formats(), what=path.name)
        except (DefinitionError, ValueError) as error:
            raise ClientSettingsError(f"{path}: {error}") from error
        return f"{path}: {len(roles)} roles, all good."
    if _FORMAT_SECTIONS & set(tables):
        try:
            known = formats_with(text, what=path.name)
        except DefinitionError as error:
            raise ClientSettingsError(f"{path}: {error}") from error
        return f"{path}: {sum(is_of_the_house(one) for one in known)} recording formats, all good."
    try:
        collector_settings.load(path, environ={})
    except ConfigurationError as error:
        raise ClientSettingsError(f"{path}: {error.sentence}.") from error
    return f"{path}: a collector's configuration, good."


@main.command()
@click.argument("files", nargs=-1, type=click.Path(dir_okay=False, path_type=Path))
@works_at_a_desk
def validate(desk: Desk, files: tuple[Path, ...]) -> None:
    """Check a collector's configuration, a file of roles or of recording formats, and tell every fault in it.

    Without a file: check this client's own settings, whether the collector answers, and the token.
    """
    if files:
        said, faults = [], []
        for path in files:
            try:
                said.append(_check(path))
            except ClientSettingsError as error:
                faults.append(error.sentence)
        if faults:
            raise ClientSettingsError("\n".join(faults))
        desk.show({"good": said}, lambda: plain_lines(said))
        return
    ready = desk.collector.get("/ready", open_to_all=True)
    desk.collector.get("/v1/kits")
    said = [f"{desk.collector.address} answers and is ready ({ready['engine']}).", "The token is good."]
    desk.show({"good": said}, lambda: plain_lines(said))


def plain_lines(texts: list[str]) -> str:
    """Give texts a line each."""
    return "\n".join(plain(text) for text in texts)
