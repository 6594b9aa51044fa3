"""What every command shares: options of the whole, `--json`, failures as a sentence and an exit code."""

import json
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from ebbmark_collector.client import settings
from ebbmark_collector.client.asking import Collector
from ebbmark_collector.client.failures import ClientError
from ebbmark_collector.client.tables import line_width
from ebbmark_collector.clock import Clock

F = TypeVar("F", bound=Callable[..., Any])


class Commands(click.Group):
    """Turns failures into a sentence and an exit code instead of a traceback."""

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except ClientError as error:
            click.echo(f"ebbmark: {error.sentence}", err=True)
            sys.exit(error.exit_code)

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Give the commands in the order they were written, which is the order people need them in."""
        return list(self.commands)


@dataclass(frozen=True, kw_only=True, slots=True)
class Options:
    """What was said on the command line for the whole."""

    address: str | None
    token_file: Path | None
    ca_file: Path | None
    config: Path | None

    def access(self) -> settings.Access:
        """Give the settings in force.

        Raises:
            ClientError: When they are wrong.
        """
        return settings.find(
            os.environ,
            address=self.address,
            token_file=self.token_file,
            ca_file=self.ca_file,
            config=self.config,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Desk:
    """What a command works at: the collector it asks, the instant, and how wide a line may be."""

    collector: Collector
    now: datetime
    width: int
    as_json: bool

    def show(self, document: object, text: Callable[[], str]) -> None:
        """Print the collector's own document with `--json`, else the text for people."""
        click.echo(json.dumps(document, indent=2, ensure_ascii=False) if self.as_json else text())


def works_at_a_desk(command: F) -> F:
    """Give a command `--json` and the desk it works at as its first argument."""

    def run(*, as_json: bool, **more: Any) -> None:
        options: Options = click.get_current_context().find_object(Options)  # type: ignore[assignment]
        desk = Desk(
            collector=Collector(options.access()), now=Clock().utc(), width=line_width(), as_json=as_json
        )
        command(desk, **more)

    run.__name__ = command.__name__
    run.__doc__ = command.__doc__
    run.__click_params__ = getattr(command, "__click_params__", [])  # type: ignore[attr-defined]
    return click.option("--json", "as_json", is_flag=True, help="Print the collector's own document.")(run)  # type: ignore[return-value]


@click.group(cls=Commands)
@click.option("--address", help="Where the collector is, as in https://collector.example:8460.")
@click.option("--token-file", type=click.Path(path_type=Path), help="Holds the token; only you may read it.")
@click.option("--ca-file", type=click.Path(path_type=Path), help="Certificates to trust.")
@click.option("--config", type=click.Path(path_type=Path), help="The client's own file.")
@click.version_option(package_name="ebbmark")
@click.pass_context
def main(
    ctx: click.Context,
    address: str | None,
    token_file: Path | None,
    ca_file: Path | None,
    config: Path | None,
) -> None:
    """Ask the collector: which drive may record what, for how long, and why not.

    Address and token also come from EBBMARK_ADDRESS and EBBMARK_TOKEN_FILE.
    """
    ctx.obj = Options(address=address, token_file=token_file, ca_file=ca_file, config=config)
