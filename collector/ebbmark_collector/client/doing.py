"""Commands that change something: holds, soaks, incidents, what a drive is called, machines that wait."""

from datetime import datetime
from typing import Any

import click

from ebbmark_collector.client.asking import Document, part
from ebbmark_collector.client.failures import ClientSettingsError, UnknownError
from ebbmark_collector.client.frame import Desk, main, works_at_a_desk
from ebbmark_collector.client.looking import called, most
from ebbmark_collector.client.tables import table
from ebbmark_collector.client.words import age, minute, plain, read_instant, read_span, size, tail


def _end(desk: Desk, for_: str | None, until: str | None, *, begins: datetime | None = None) -> str:
    if (for_ is None) is (until is None):
        raise ClientSettingsError("Say either --for or --until.")
    end = read_instant(until) if until else (begins or desk.now) + read_span(for_ or "")
    return end.isoformat()


@main.command()
@click.option("--reason", required=True, help="What it is for; every agent shows it.")
@click.option("--for", "for_", help="How long, as in 4h or 2d.")
@click.option("--until", help="Or until when, in your own time unless it says otherwise.")
@click.option("--from", "begins", help="When it begins; now if left out.")
@click.option("--hosts", default="*", show_default=True, help="Which hosts, as in 'studio-2-*'.")
@works_at_a_desk
def hold(
    desk: Desk, *, reason: str, for_: str | None, until: str | None, begins: str | None, hosts: str
) -> None:
    """Hold all probes for a while."""
    starts_at = read_instant(begins) if begins else None
    body: Document = {
        "host_pattern": hosts,
        "ends_at": _end(desk, for_, until, begins=starts_at),
        "reason": reason,
    }
    if starts_at is not None:
        body["starts_at"] = starts_at.isoformat()
    found = desk.collector.post("/v1/holds", body)
    desk.show(found, lambda: _hold_text(found, desk))


def _hold_path(desk: Desk, hold_id: str) -> str:
    return f"/v1/holds/{part(desk.collector.by_tail('/v1/holds', 'hold_id', hold_id))}"


def _hold_text(found: Document, desk: Desk) -> str:
    said = f"Hold {tail(found['hold_id'])} until {minute(found['ends_at'])}: {found['sentence']}"
    missing = [row for row in found["receipts"] if row["confirmed_at"] is None]
    if not missing:
        return plain(said)
    rows = [(row["host_name"], age(row["last_report_at"], desk.now)) for row in missing]
    return f"{plain(said)}\n\n{table(('NOT YET', 'HEARD'), rows, right=('HEARD',), width=desk.width)}"


@main.command()
@click.argument("hold_id", required=False)
@most
@works_at_a_desk
def holds(desk: Desk, *, hold_id: str | None, most: int) -> None:
    """List holds, or show one with which hosts confirmed it."""
    if hold_id is not None:
        found = desk.collector.get(_hold_path(desk, hold_id))
        desk.show(found, lambda: _hold_text(found, desk))
        return
    rows = list(desk.collector.every("/v1/holds", limit=most))
    head = ("HOLD", "HOSTS", "FROM", "UNTIL", "REASON")
    desk.show(
        rows,
        lambda: (
            table(
                head,
                [
                    (
                        tail(row["hold_id"]),
                        row["host_pattern"],
                        minute(row["starts_at"]),
                        minute(row["ended_early_at"] or row["ends_at"]),
                        row["reason"],
                    )
                    for row in rows
                ],
                width=desk.width,
            )
            if rows
            else "There is no hold."
        ),
    )


@main.command("end-hold")
@click.argument("hold_id")
@works_at_a_desk
def end_hold(desk: Desk, *, hold_id: str) -> None:
    """End a hold before its time."""
    found = desk.collector.post(f"{_hold_path(desk, hold_id)}/end")
    desk.show(found, lambda: plain(f"Hold {tail(found['hold_id'])} is over."))


@main.command()
@click.argument("host")
@click.argument("switch", type=click.Choice(["on", "off"]))
@works_at_a_desk
def probing(desk: Desk, *, host: str, switch: str) -> None:
    """Turn automatic probing of a host on or off. The machine's owner has the last word."""
    row = desk.collector.host(host)
    found = desk.collector.patch(f"/v1/hosts/{part(row['host_id'])}", {"probing_enabled": switch == "on"})
    forbids = "" if found["writes_allowed"] else " Its owner does not let probes write."
    desk.show(found, lambda: plain(f"Probing on {found['name']} is {switch}.{forbids}"))


@main.command()
@click.argument("which")
@click.option("--most-gb", type=click.IntRange(1, 1_000_000), required=True, help="What it may write [GB].")
@click.option("--for", "for_", help="How long the order stands, as in 2d.")
@click.option("--until", help="Or until when.")
@works_at_a_desk
def soak(desk: Desk, *, which: str, most_gb: int, for_: str | None, until: str | None) -> None:
    """Ask for a soak of a fixed drive. It writes and wears; the agent picks a safe moment."""
    row = desk.collector.drive(which)
    body = {
        "drive_id": row["drive_id"],
        "kind": "soak",
        "ends_at": _end(desk, for_, until),
        "max_bytes": most_gb * 10**9,
    }
    found = desk.collector.post("/v1/probe-orders", body)
    desk.show(
        found,
        lambda: plain(
            f"Soak {found['order_id']} of {called(row)} is asked for, at most {size(found['max_bytes'])}, "
            f"until {minute(found['ends_at'])}."
        ),
    )


@main.command()
@click.argument("which")
@click.argument("sentence")
@click.option("--at", "happened", help="When; now if left out.")
@click.option("--recorder", help="Which recorder.")
@click.option("--format", "recording_format", help="What was recorded.")
@works_at_a_desk
def incident(
    desk: Desk,
    *,
    which: str,
    sentence: str,
    happened: str | None,
    recorder: str | None,
    recording_format: str | None,
) -> None:
    """Report dropped frames: the drive is unfit until a later soak qualifies it again."""
    row = desk.collector.drive(which)
    body: Document = {
        "happened_at": (read_instant(happened) if happened else desk.now).isoformat(),
        "sentence": sentence,
    }
    body |= {
        name: value
        for name, value in (("recorder", recorder), ("recording_format", recording_format))
        if value
    }
    found = desk.collector.post(f"/v1/drives/{part(row['drive_id'])}/incidents", body)
    desk.show(found, lambda: plain(f"Incident {found['incident_id']} of {called(row)} is noted."))


@main.command()
@click.argument("which")
@click.option("--asset-tag")
@click.option("--label")
@click.option("--kit")
@click.option("--place")
@click.option("--presence", type=click.Choice(["fixed", "comes_and_goes", "on_loan"]))
@click.option("--rated-tb", type=click.IntRange(1, 4_000_000), help="The maker's rated endurance [TB].")
@click.option("--notes")
@works_at_a_desk
def name(desk: Desk, *, which: str, rated_tb: int | None, **given: Any) -> None:
    """Say what a drive is called, where it is, what it belongs to. An empty text takes a value away."""
    changes: Document = {key: value or None for key, value in given.items() if value is not None}
    if rated_tb is not None:
        changes["rated_endurance_bytes"] = rated_tb * 10**12
    if not changes:
        raise ClientSettingsError("Nothing to change was said; see `ebbmark name --help`.")
    row = desk.collector.drive(which)
    found = desk.collector.patch(f"/v1/drives/{part(row['drive_id'])}", changes)
    said = ", ".join(f"{key.replace('_', ' ')} {found[key]}" for key in changes)
    desk.show(found, lambda: plain(f"{called(found)}: {said}. It stands {found['standing']}."))


@main.command()
@click.argument("which")
@click.option("--why", required=True)
@works_at_a_desk
def retire(desk: Desk, *, which: str, why: str) -> None:
    """Take a drive out of service; its history stays."""
    row = desk.collector.drive(which)
    found = desk.collector.post(f"/v1/drives/{part(row['drive_id'])}/retire", {"why": why})
    desk.show(found, lambda: plain(f"{called(found)} is retired: {found['retired_why']}."))


@main.command()
@click.option("--pending", is_flag=True, help="Only those that wait.")
@most
@works_at_a_desk
def machines(desk: Desk, *, pending: bool, most: int) -> None:
    """List machines that asked to become hosts."""
    rows = list(desk.collector.every("/v1/enrolments", limit=most, state="pending" if pending else None))
    head = ("MACHINE", "STATE", "ADDRESS", "ASKED", "WARNING", "ENROLMENT")
    desk.show(
        rows,
        lambda: (
            table(
                head,
                [
                    (
                        row["host_name"],
                        row["state"],
                        row["address"],
                        age(row["asked_at"], desk.now),
                        row["warning"] or "",
                        tail(row["enrolment_id"]),
                    )
                    for row in rows
                ],
                right=("ASKED",),
                wrapped="WARNING",
                width=desk.width,
            )
            if rows
            else "No machine has asked."
        ),
    )


@main.command("let-in")
@click.argument("machine")
@click.option("--refuse", is_flag=True, help="Refuse it instead.")
@works_at_a_desk
def let_in(desk: Desk, *, machine: str, refuse: bool) -> None:
    """Let a waiting machine in, by its name or enrolment."""
    waiting = list(desk.collector.every("/v1/enrolments", limit=500, state="pending"))
    found = [row for row in waiting if machine == row["host_name"] or row["enrolment_id"].endswith(machine)]
    if len(found) != 1:
        many = "More than one machine waits" if found else "No machine waits"
        raise UnknownError(f"{many} under the name {machine}. `ebbmark machines --pending` lists them.")
    deed = "refuse" if refuse else "approve"
    done = desk.collector.post(f"/v1/enrolments/{part(found[0]['enrolment_id'])}/{deed}")
    said = "is refused" if refuse else "is let in with its next call"
    desk.show(done, lambda: plain(f"{done['host_name']} {said}."))
