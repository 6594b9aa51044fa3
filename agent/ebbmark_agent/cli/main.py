"""The command line's root."""

from pathlib import Path

import click

from ebbmark_agent.cli.frame import Commands, Frame, agent_version
from ebbmark_agent.cli.probe import copy_test, probe


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--settings",
    "settings_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The settings file; else EBBMARK_SETTINGS, /etc/ebbmark/agent.toml or the defaults.",
)
@click.version_option(agent_version(), prog_name="ebbmark-agent")
@click.pass_context
def main(ctx: click.Context, settings_path: Path | None) -> None:
    """Probe studio drives without disturbing a recording.

    Probes write and wear. Never probe a drive that is about to record. A pass is no backup.
    """
    ctx.obj = Frame(settings_path=settings_path)


main.add_command(probe)
main.add_command(copy_test)
