"""`enrol`, `run`, `next-report`: the agent and its collector."""

import json
import logging
import os
import platform as host
import signal
import socket
import threading
from pathlib import Path

import click

from ebbmark_agent.cli.frame import Frame, agent_version, set_up_log
from ebbmark_agent.cycle import Running, look_around, read_due_health, say_status
from ebbmark_agent.errors import (
    EnrolmentPendingError,
    NotEnrolledError,
    TokenFileError,
)
from ebbmark_agent.memory import Enrolment
from ebbmark_agent.schedule import Service, one_round
from ebbmark_agent.sd_notify import ServiceManager
from ebbmark_agent.takes import TakeSampler
from ebbmark_agent.uplink import Claimed, Collector, write_token

TOKEN_VARIABLE = "EBBMARK_TOKEN"  # noqa: S105 - the name of a variable, not a token
ASK_AGAIN_S = 10.0  # [s] while an admin has yet to approve


@click.command()
@click.option("--collector", "url", help="The collector's address; else collector.url of the settings.")
@click.option("--token-file", type=click.Path(path_type=Path), help="File with the enrolment token.")
@click.option("--name", help="How this machine is called; else its host name.")
@click.option("--wait-s", type=click.FloatRange(min=0), default=0.0, help="Wait so long for an approval [s].")
@click.pass_obj
def enrol(frame: Frame, *, url: str | None, token_file: Path | None, name: str | None, wait_s: float) -> None:
    """Make this machine known to a collector, with the enrolment token its admin gave out.

    The token is read from --token-file, the variable EBBMARK_TOKEN, or asked for.
    """
    address = url or frame.settings.collector.url
    if address is None:
        raise click.UsageError("Name the collector with --collector, or set collector.url.")
    collector = Collector(
        url=address,
        token=None,
        agent_version=agent_version(),
        ca_file=frame.settings.collector.ca_file,
        allow_plain_http=frame.settings.collector.allow_plain_http,
    )
    try:
        claimed = _claim(frame, collector, token=_enrol_token(token_file), name=name, wait_s=wait_s)
    finally:
        collector.close()
    write_token(frame.settings.token_path, claimed.agent_token)
    frame.memory.enrolled(
        Enrolment(
            host_id=claimed.host_id, collector_url=address, expires_at=claimed.expires_at, host_name=name
        )
    )
    frame.memory.undone("inventory")
    click.echo(f"Enrolled at {address} as host {claimed.host_id}.")
    if not frame.settings.limits.writes_allowed:
        click.echo(
            "Health and passive evidence will flow. Probes will not write: the machine's owner turns that on "
            "with limits.writes_allowed = true."
        )


def _claim(frame: Frame, collector: Collector, *, token: str, name: str | None, wait_s: float) -> Claimed:
    pause = threading.Event()
    deadline_s = frame.clock.monotonic_s() + wait_s
    while True:
        try:
            return collector.claim(
                enrol_token=token,
                host_name=name or socket.gethostname(),
                system=f"{host.system()} {host.release()}",
                machine_key=frame.memory.machine_key(),
            )
        except EnrolmentPendingError:
            left_s = deadline_s - frame.clock.monotonic_s()
            if left_s <= 0:
                raise
            click.echo("Waiting for the collector's admin to approve this machine.", err=True)
            pause.wait(min(ASK_AGAIN_S, left_s))


def _enrol_token(token_file: Path | None) -> str:
    if token_file is not None:
        try:
            token = token_file.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise TokenFileError(path=str(token_file), reason="cannot be read") from error
        if not token:
            raise TokenFileError(path=str(token_file), reason="is empty")
        return token
    return os.environ.get(TOKEN_VARIABLE) or str(click.prompt("Enrolment token", hide_input=True, err=True))


def running_agent(frame: Frame) -> Running:
    """Give the agent's state for commands that do what the service does.

    Args:
        frame: The settings and what they lead to.
    """
    return Running(
        settings=frame.settings,
        platform=frame.platform,
        clock=frame.clock,
        memory=frame.memory,
        spool=frame.spool,
        switches=frame.switches,
        runner=frame.runner,
        takes=TakeSampler(frame.platform.disk_counters),
        agent_version=agent_version(),
        started_at=frame.clock.utc(),
        started_s=frame.clock.monotonic_s(),
    )


@click.command()
@click.option("--one-round", "once", is_flag=True, help="Do everything once, now, then end.")
@click.pass_obj
def run(frame: Frame, *, once: bool) -> None:
    """Look after this machine's drives until told to stop."""
    set_up_log(frame.settings.log.level, json_lines=frame.settings.log.json_lines)
    if frame.memory.enrolment() is None:
        raise NotEnrolledError
    running = running_agent(frame)
    logging.getLogger(__name__).info("ebbmark-agent %s starts", agent_version())
    if once:
        for one in (signal.SIGTERM, signal.SIGINT):
            signal.signal(one, lambda _number, _frame: running.stopping.set())
        one_round(running)
    else:
        Service(running, manager=ServiceManager(os.environ)).run()


@click.command("next-report")
@click.pass_obj
def next_report(frame: Frame) -> None:
    """Print what would leave this machine next, before it is sent: one JSON report a line.

    Where nothing waits, it looks around first and prints what that gives.
    """
    if frame.memory.enrolment() is None:
        raise NotEnrolledError
    if frame.spool.waiting() == 0:
        running = running_agent(frame)
        look_around(running)
        read_due_health(running)
        say_status(running)
    for one in frame.spool.next_batch(most=200, most_bytes=10**8):
        click.echo(json.dumps(json.loads(one.body)))
