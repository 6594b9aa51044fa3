"""`on-air`, `off-air`, `hold`, `release`, `readmit`: a person's word at this machine, without the network."""

from datetime import datetime, timedelta

import click

from ebbmark_agent.cli.frame import Frame
from ebbmark_agent.drives import scan
from ebbmark_agent.errors import UnknownDriveError
from ebbmark_agent.moment import local_zone


@click.command("on-air")
@click.pass_obj
def on_air(frame: Frame) -> None:
    """Let nothing probe here until off-air is said; a running probe gives way at once."""
    frame.switches.set_on_air(on=True)
    click.echo("On air: nothing probes here until: ebbmark-agent off-air")


@click.command("off-air")
@click.pass_obj
def off_air(frame: Frame) -> None:
    """Clear the on-air switch. Probes still wait for everything else to be in order."""
    frame.switches.set_on_air(on=False)
    click.echo("Off air. Probes still wait for probe hours and quiet disks.")


@click.command()
@click.option(
    "--until", "until", required=True, metavar="TIME", help="As 06:30, or 2026-03-10 06:30; or 8h, 45m."
)
@click.option("--reason", default="Set at this machine.", help="Why; it stays on this machine.")
@click.pass_obj
def hold(frame: Frame, *, until: str, reason: str) -> None:
    """Let nothing probe here until TIME."""
    now = frame.clock.utc()
    held = frame.switches.hold(ends_at=parse_until(until, now=now), reason=reason, now=now)
    click.echo(f"Nothing probes here until {held.ends_at.astimezone(local_zone(now)):%Y-%m-%d %H:%M}.")


@click.command()
@click.pass_obj
def release(frame: Frame) -> None:
    """End every hold that was set at this machine; the collector's own stay."""
    frame.switches.release_holds()
    click.echo("The holds set at this machine have ended.")


@click.command()
@click.argument("named", metavar="DRIVE")
@click.pass_obj
def readmit(frame: Frame, *, named: str) -> None:
    """Let probes write again to a drive that one of them found failing, once it was looked at."""
    wanted = named.lower()
    for drive in scan().drives:
        names = {drive.ref, drive.device, drive.kernel_name, *drive.facts.identity.names()}
        serial = drive.facts.identity.serial
        if wanted in {name.lower() for name in names} or (serial and wanted == serial.lower()):
            frame.memory.undone(f"failing:{drive.key}")
            click.echo(
                f"{drive.display_name} is no longer held to be failing. Its health still speaks for itself."
            )
            return
    raise UnknownDriveError(named=named)


def parse_until(text: str, *, now: datetime) -> datetime:
    """Read an end: a time of day, a date with a time, or a length such as 8h or 45m.

    Args:
        text: What was typed, in this machine's local time.
        now: The present instant.

    Returns:
        The end, later than now.
    """
    text = text.strip()
    if text[-1:] in {"h", "m"} and text[:-1].replace(".", "", 1).isdecimal():
        length = (
            timedelta(hours=float(text[:-1])) if text.endswith("h") else timedelta(minutes=float(text[:-1]))
        )
        ends_at = now + length
    else:
        ends_at = _clock_time(text, now=now)
    if ends_at <= now:
        raise click.BadParameter(f"{text} has passed already.")
    return ends_at


def _clock_time(text: str, *, now: datetime) -> datetime:
    local = now.astimezone(local_zone(now))
    try:
        day = datetime.strptime(text, "%H:%M")  # noqa: DTZ007 - the zone is put in below
        ends_at = local.replace(hour=day.hour, minute=day.minute, second=0, microsecond=0)
        return (ends_at if ends_at > local else ends_at + timedelta(days=1)).astimezone(now.tzinfo)
    except ValueError:
        pass
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"'{text}' is no time such as 06:30, 2026-03-10 06:30, 8h or 45m.") from None
    return (told if told.tzinfo else told.replace(tzinfo=local_zone(now))).astimezone(now.tzinfo)
