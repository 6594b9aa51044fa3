"""The command line's root."""

from pathlib import Path

import click

from ebbmark_agent.cli.frame import Commands, Frame, agent_version
from ebbmark_agent.cli.looking import drives, formats, health, why
from ebbmark_agent.cli.probe import copy_test, offload_test, probe
from ebbmark_agent.cli.service import enrol, next_report, run
from ebbmark_agent.cli.setting import check_config, show_config
from ebbmark_agent.cli.switching import hold, off_air, on_air, readmit, release


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


for command in (
    probe,
    copy_test,
    offload_test,
    drives,
    health,
    formats,
    why,
    on_air,
    off_air,
    hold,
    release,
    readmit,
    enrol,
    run,
    next_report,
    check_config,
    show_config,
):
    main.add_command(command)
