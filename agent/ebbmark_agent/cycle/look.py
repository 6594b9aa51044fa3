"""Looks at which drives and volumes are there, says what changed, and keeps the takes that ended."""

import platform as host
import secrets
import socket
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

from ebbmark_agent.cycle.state import Running
from ebbmark_agent.drives import Drive, Inventory, changes, scan, wants_a_look, with_those_behind
from ebbmark_agent.report import Subject, TakeBody
from ebbmark_agent.reports import inventory_body
from ebbmark_agent.takes import SeenTake

INVENTORY_EVERY = timedelta(days=1)


def look_around(running: Running) -> bool:
    """Scan the machine and say its inventory at start, on change and once a day.

    Args:
        running: The agent.

    Returns:
        Whether an inventory was said.
    """
    found = _with_known_names(running.inventory, scan())
    changed = changes(running.inventory, found)
    now = running.clock.utc()
    last = running.memory.last_done("inventory")
    recent = last is not None and last <= now < last + INVENTORY_EVERY
    if wants_a_look(found):
        # Asked where something may have changed, not at every look: it speaks to the controllers.
        anew = not recent or not running.inventory.drives or not changed.none
        behind = running.inventory.behind
        if anew:
            known = {disk.ref: disk.facts.identity for disk in behind}
            listed = with_those_behind(found, running.runner.list_devices()).behind
            behind = tuple(disk.named(known.get(disk.ref)) for disk in listed)
        found = replace(found, behind=behind)
    for drive in changed.drives_vanished:
        running.readings.pop(drive.ref, None)
    running.inventory = found
    if recent and changed.none:
        return False
    return say_inventory(running)


def say_inventory(running: Running) -> bool:
    """Say what drives and volumes this machine has now."""
    now = running.clock.utc()
    enrolment = running.memory.enrolment()
    body = inventory_body(
        running.inventory,
        host_name=(enrolment.host_name if enrolment else None) or socket.gethostname(),
        system=f"{host.system()} {host.release()}",
        writes_allowed=running.settings.limits.writes_allowed,
        privacy=running.settings.privacy,
    )
    said = running.keeper.say(body, now=now) is not None
    if said:
        running.memory.done("inventory", at=now)
    return said


def _with_known_names(before: Inventory, found: Inventory) -> Inventory:
    """Keep the names smartctl gave while the same drive is in the same place."""
    known = {(drive.ref, drive.place): drive for drive in before.drives}
    return replace(
        found,
        drives=tuple(
            drive.named(known[drive.ref, drive.place].facts.identity)
            if (drive.ref, drive.place) in known and _same_medium(known[drive.ref, drive.place], drive)
            else drive
            for drive in found.drives
        ),
    )


def _same_medium(before: Drive, after: Drive) -> bool:
    """Whether nothing shows that the medium was changed; a removable one is always looked at anew."""
    return not after.facts.removable and before.facts.capacity_bytes == after.facts.capacity_bytes


def keep_takes(running: Running) -> None:
    """Read the disks for real recordings, and keep those that ended; called about once a second."""
    by_name = {drive.kernel_name: drive for drive in running.inventory.drives}
    ended = running.takes.sample(by_name, now=running.clock.utc(), probed=running.probed)
    _say_takes(running, ended, by_name)


def end_takes(running: Running) -> None:
    """Keep the takes that go on while the agent stops."""
    by_name = {drive.kernel_name: drive for drive in running.inventory.drives}
    _say_takes(running, running.takes.sample((), now=running.clock.utc()), by_name)


def _say_takes(
    running: Running, ended: Mapping[str, tuple[SeenTake, ...]], by_name: Mapping[str, Drive]
) -> None:
    for disk, takes in ended.items():
        drive = by_name.get(disk)
        if drive is None:
            continue
        subject = Subject(ref=drive.ref, identity=drive.facts.identity)
        for take in takes:
            facts = take.to_facts(take_id=f"take-{secrets.token_hex(8)}", path=drive.facts.path)
            running.keeper.say(TakeBody(subject=subject, take=facts), now=running.clock.utc())
