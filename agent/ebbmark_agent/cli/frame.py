"""What all commands share: settings, the agent's state, and how an error becomes a sentence and a code."""

import json
import logging
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import click

from ebbmark_agent.clock import Clock
from ebbmark_agent.database import AgentDatabase
from ebbmark_agent.definitions import formats_with
from ebbmark_agent.drives import Inventory
from ebbmark_agent.errors import AgentError
from ebbmark_agent.evidence import Formats
from ebbmark_agent.health import JsonSmartctl
from ebbmark_agent.lookout import Lookout
from ebbmark_agent.memory import Memory
from ebbmark_agent.moment import Scene
from ebbmark_agent.platforms import Platform, this_platform
from ebbmark_agent.settings import Settings, load_settings
from ebbmark_agent.spool import Spool
from ebbmark_agent.switches import Switches

REFUSED_EXIT = 20


class Commands(click.Group):
    """A group whose commands end every agent error as one sentence on stderr and its own exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except AgentError as error:
            click.echo(str(error), err=True)
            ctx.exit(error.exit_code)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands in the order they were added."""
        return [name for name in self.commands if self.get_command(ctx, name) is not None]


@dataclass
class Frame:
    """What a command works with; each part is made when it is first asked for."""

    settings_path: Path | None = None

    @cached_property
    def settings(self) -> Settings:
        """The owner's settings."""
        return load_settings(path=self.settings_path, environment=os.environ)

    @cached_property
    def formats(self) -> Formats:
        """The recording formats in force: the shipped ones and the house's own."""
        return formats_with(self.settings.house.formats_file)

    @cached_property
    def clock(self) -> Clock:
        """The clocks."""
        return Clock()

    @cached_property
    def platform(self) -> Platform:
        """The system's ways."""
        return this_platform()

    @cached_property
    def runner(self) -> JsonSmartctl:
        """How smartctl is run."""
        health = self.settings.health
        program = str(health.smartctl_path) if health.smartctl_path else None
        return JsonSmartctl(program=program, timeout_s=health.timeout_s)

    @cached_property
    def switches(self) -> Switches:
        """The local switches."""
        return Switches(self.settings.state_dir)

    @cached_property
    def database(self) -> AgentDatabase:
        """The agent's database, made if it is not there yet."""
        return AgentDatabase(self.settings.database_path)

    @cached_property
    def memory(self) -> Memory:
        """What the agent remembers."""
        return Memory(self.database)

    @cached_property
    def spool(self) -> Spool:
        """What waits for the collector."""
        return Spool(self.database, limits=self.settings.spool)

    @property
    def has_state(self) -> bool:
        """Whether an agent keeps its state here and this user may write it."""
        path = self.settings.database_path
        return path.exists() and os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)

    def scene(self, inventory: Inventory, *, quiet_s: float) -> Scene:
        """Give what facts are gathered from, without a thread behind it.

        Args:
            inventory: The drives of this machine.
            quiet_s: How far back disks are looked at [s].
        """
        memory = self.memory if self.has_state else None
        lookout = Lookout(
            platform=self.platform,
            switches=self.switches,
            capture_processes=self.settings.limits.capture_processes,
            quiet_s=quiet_s,
            disks=lambda: [drive.kernel_name for drive in inventory.drives],
            clock=self.clock,
        )
        return Scene(
            platform=self.platform,
            settings=self.settings,
            switches=self.switches,
            lookout=lookout,
            memory=memory,
            orders=memory.orders()[0] if memory else None,
        )


def agent_version() -> str:
    """Give the version of this program."""
    try:
        return version("ebbmark")
    except PackageNotFoundError:
        return "unknown"


def table(rows: Sequence[Sequence[str]], *, header: Sequence[str]) -> str:
    """Lay rows out in columns.

    Args:
        rows: The cells.
        header: The columns' names.
    """
    widths = [max(len(row[column]) for row in (header, *rows)) for column in range(len(header))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (header, *rows)
    )


class JsonLines(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """Write a record."""
        document = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"),
            "level": record.levelname.lower(),
            "from": record.name,
            "says": record.getMessage(),
        }
        if record.exc_info:
            document["fault"] = self.formatException(record.exc_info)
        return json.dumps(document)


def set_up_log(level: str, *, json_lines: bool = False) -> None:
    """Log to stderr.

    Args:
        level: The least level told.
        json_lines: One JSON object a line instead of plain text.
    """
    handler = logging.StreamHandler(sys.stderr)
    plain = logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s")
    handler.setFormatter(JsonLines() if json_lines else plain)
    logging.basicConfig(handlers=[handler], level=level.upper(), force=True)
    for noisy in ("apscheduler", "urllib3"):
        logging.getLogger(noisy).setLevel(max(logging.WARNING, logging.getLogger().level))
