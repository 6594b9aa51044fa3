"""`check-config` and `show-config`: the owner's settings."""

import json

import click

from ebbmark_agent.cli.frame import Frame


@click.command("check-config")
@click.pass_obj
def check_config(frame: Frame) -> None:
    """Check the settings and tell every fault at once."""
    settings = frame.settings
    _ = frame.formats  # a house's own file is read here, so that a mistake in it is told before it is needed
    click.echo("The settings are in order.")
    if not settings.limits.writes_allowed:
        click.echo("Automatic probes may not write here (limits.writes_allowed = false).")
    if not settings.limits.probe_hours:
        click.echo("There are no probe hours, so no automatic probe ever runs (limits.probe_hours).")


@click.command("show-config")
@click.pass_obj
def show_config(frame: Frame) -> None:
    """Print the settings in force, with what they are for."""
    document = frame.settings.model_dump(mode="json")
    fields = type(frame.settings).model_fields
    for name, value in document.items():
        if not isinstance(value, dict):
            click.echo(f"{name} = {json.dumps(value)}  # {fields[name].description}")
    for name, value in document.items():
        if isinstance(value, dict):
            click.echo(f"\n[{name}]")
            inner = type(getattr(frame.settings, name)).model_fields
            for key, one in value.items():
                told = f"{key} = {json.dumps(one)}" if one is not None else f"# {key} is not set"
                click.echo(f"{told}  # {inner[key].description}")
