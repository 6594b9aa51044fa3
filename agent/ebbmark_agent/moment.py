"""Gathers the facts of this moment for consent: the machine, the volume to probe, its drives."""

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from pathlib import Path, PurePath
from zoneinfo import ZoneInfoNotFoundError

import tzlocal

from ebbmark_agent.consent import (
    Budget,
    ClipSigns,
    DiskActivity,
    HostFacts,
    Spending,
    TargetFacts,
    failing_reason,
    in_force,
    look_for_clips,
    order_for,
    spent_bytes,
    wear_budget,
    wear_share,
)
from ebbmark_agent.drives import Drive, Inventory, Volume
from ebbmark_agent.errors import StateUnusableError
from ebbmark_agent.lookout import Lookout
from ebbmark_agent.memory import Memory, Spent
from ebbmark_agent.platforms import Platform
from ebbmark_agent.report import HealthReading, Hold, Orders, SubjectOrder
from ebbmark_agent.settings import LimitSettings, Settings
from ebbmark_agent.switches import Switches


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What the facts are gathered from.

    Attributes:
        platform: The system's ways.
        settings: What the owner has set.
        switches: The local switches.
        lookout: The latest looks at the disks.
        memory: What the agent remembers; None at the bench of a machine without an agent.
        orders: The orders held.
    """

    platform: Platform
    settings: Settings
    switches: Switches
    lookout: Lookout
    memory: Memory | None = None
    orders: Orders | None = None


def local_zone(now: datetime) -> tzinfo:
    """Give this machine's time zone, with its summer time where that can be told.

    Args:
        now: The present instant.
    """
    try:
        return tzlocal.get_localzone()
    except (ZoneInfoNotFoundError, ValueError, OSError):
        zone = now.astimezone().tzinfo
        assert zone is not None
        return zone


def host_facts(
    scene: Scene, *, volume: Volume, inventory: Inventory, now: datetime, probe_running: bool = False
) -> HostFacts:
    """Gather the facts of the machine.

    Args:
        scene: Where from.
        volume: The volume to probe.
        inventory: The drives and volumes of this machine.
        now: The present instant.
        probe_running: Whether another probe holds the machine.
    """
    orders = scene.orders
    valid = in_force(orders, now=now)
    return HostFacts(
        zone=local_zone(now),
        recorder_host=recorder_host(orders),
        on_air=scene.switches.on_air(),
        switches_readable=scene.switches.readable(),
        holds=_holds(scene, now=now),
        capture_processes=scene.lookout.capturing,
        on_mains=scene.platform.on_mains(),
        neighbours=tuple(neighbours(scene, volume=volume, inventory=inventory)),
        probe_running=probe_running,
        contact_lost_s=_contact_lost_s(scene.memory, now=now),
        show=bool(orders and orders.show),
        orders_valid=valid,
        probing_enabled=bool(valid and orders and orders.probing_enabled),
        ordered_hours=orders.probe_hours if orders else (),
    )


def recorder_host(orders: Orders | None) -> bool:
    """Say whether some drive here has a recorder role."""
    return orders is not None and any(subject.recorder for subject in orders.subjects)


def target_facts(
    scene: Scene,
    *,
    name: str,
    volume: Volume,
    inventory: Inventory,
    readings: Mapping[str, HealthReading],
    now: datetime,
    by_hand: bool,
    word_given: bool = False,
) -> TargetFacts:
    """Gather the facts of a volume and the drives beneath it.

    Args:
        scene: Where from.
        name: How it is called in sentences.
        volume: The volume.
        inventory: The drives and volumes of this machine.
        readings: The last health reading of each drive, by its ref.
        now: The present instant.
        by_hand: Whether a person asks.
        word_given: A person's word that this removable medium, as inserted now, may be written.
    """
    members = inventory.members(volume)
    order = subject_order(scene.orders, volume=volume, members=members)
    removable = any(drive.facts.removable for drive in members)
    temperatures = [
        reading.temperature_c
        for drive in members
        if (reading := readings.get(drive.ref)) is not None and reading.temperature_c is not None
    ]
    writers = scene.platform.open_writers(Path(volume.mount_point)) if volume.probeable else None
    last = [spent for drive in members for spent in _spent(scene.memory, drive)]
    latest = max(last, key=lambda spent: spent.at, default=None)
    return TargetFacts(
        name=name,
        size_bytes=volume.facts.size_bytes,
        free_bytes=volume.facts.free_bytes,
        certain=volume.probeable,
        read_only=volume.facts.read_only,
        network=volume.facts.network,
        removable=removable,
        word_given=word_given,
        clips=clips_on(Path(volume.mount_point)) if removable and by_hand else None,
        failing=_failing(scene.memory, inventory.beneath(volume), readings),
        lively=lively(members, order),
        open_writers=None if writers is None else len(writers),
        temperature_c=max(temperatures, default=None),
        activity=tuple(_activity(scene.lookout, drive, lively=lively((drive,), order)) for drive in members),
        budget=_least_budget(scene, members, order=order, now=now, by_hand=by_hand),
        last_probe_at=latest.at if latest else None,
        last_probe_discarded=latest.discarded if latest else False,
    )


def subject_order(orders: Orders | None, *, volume: Volume, members: Sequence[Drive]) -> SubjectOrder | None:
    """Give what is ordered for a volume or the one drive beneath it."""
    names = members[0].facts.identity.names() if len(members) == 1 else ()
    return order_for(orders, drive_names=names, volume_id=volume.facts.volume_id)


def lively(members: Iterable[Drive], order: SubjectOrder | None) -> bool:
    """Say whether some I/O of others is part of life there: a system disk, or an edit disk by its role."""
    edit = order is not None and not order.recorder
    return edit or any(drive.facts.system_drive for drive in members)


def neighbours(scene: Scene, *, volume: Volume, inventory: Inventory) -> Iterator[DiskActivity]:
    """Give the activity of all disks that do not lie beneath a volume."""
    members = inventory.members(volume)
    own = {drive.ref for drive in members} | {ref for drive in members for ref in drive.lies_on}
    upstreams = {drive.facts.path.upstream for drive in members}
    for drive in inventory.drives:
        if drive.ref not in own:
            there = drive.facts.path.upstream
            apart = there is not None and None not in upstreams and there not in upstreams
            yield _activity(
                scene.lookout,
                drive,
                lively=drive.facts.system_drive,
                shares_upstream=False if apart else (True if there in upstreams and there else None),
            )


def clips_on(mount: Path) -> ClipSigns | None:
    """Look through a medium for signs of clips, reading names only.

    Args:
        mount: Where it is mounted.

    Returns:
        The signs; None if some folder could not be looked into.
    """
    try:
        return look_for_clips(_entries(mount))
    except OSError:
        return None


def _entries(mount: Path) -> Iterator[tuple[PurePath, bool]]:
    def refuse(error: OSError) -> None:
        raise error

    for folder, folders, files in os.walk(mount, onerror=refuse):
        relative = Path(folder).relative_to(mount)
        yield from ((relative / name, True) for name in folders)
        yield from ((relative / name, False) for name in files)


def _holds(scene: Scene, *, now: datetime) -> tuple[Hold, ...]:
    ordered = scene.orders.holds if scene.orders else ()
    try:
        return (*scene.switches.holds(now=now), *ordered)
    except StateUnusableError as error:
        # Holds that cannot be read may be in force: one is made up that lasts until they can be.
        unreadable = Hold(
            hold_id="local-unreadable",
            starts_at=now,
            ends_at=now + timedelta(days=1),
            reason=str(error),
        )
        return (unreadable, *ordered)


def _contact_lost_s(memory: Memory | None, *, now: datetime) -> float | None:
    last = memory.last_done("contact") if memory else None
    return None if last is None else max(0.0, (now - last).total_seconds())


def _activity(
    lookout: Lookout, drive: Drive, *, lively: bool, shares_upstream: bool | None = None
) -> DiskActivity:
    watched_s, moved_bytes = lookout.watched(drive.kernel_name)
    return DiskActivity(
        name=drive.display_name,
        watched_s=watched_s,
        foreign_bytes=moved_bytes,
        lively=lively,
        shares_upstream=shares_upstream,
    )


def _failing(
    memory: Memory | None, members: Sequence[Drive], readings: Mapping[str, HealthReading]
) -> str | None:
    for drive in members:
        if memory is not None and (found := memory.last_done(f"failing:{drive.key}")):
            return f"a probe found so on {found:%Y-%m-%d}; clear with: ebbmark-agent readmit"
        if reason := failing_reason(readings.get(drive.ref)):
            return reason
    return None


def _spent(memory: Memory | None, drive: Drive) -> tuple[Spent, ...]:
    return memory.spendings(drive.key) if memory else ()


def drive_budget(
    memory: Memory | None,
    drive: Drive,
    *,
    order: SubjectOrder | None,
    limits: LimitSettings,
    now: datetime,
    by_hand: bool = False,
) -> Budget:
    """Give what probing one drive may cost and has cost.

    Args:
        memory: What the agent remembers.
        drive: The drive.
        order: What is ordered for it.
        limits: What the owner allows.
        now: The present instant.
        by_hand: Whether a person asks.
    """
    spendings = tuple(
        Spending(at=one.at, written_bytes=one.written_bytes, by_hand=one.by_hand)
        for one in _spent(memory, drive)
    )
    return wear_budget(
        rated_endurance_bytes=order.rated_endurance_bytes if order else None,
        wear_share_a_year=wear_share(order, limits),
        unrated_bytes_a_day=limits.unrated_bytes_a_day,
        capacity_bytes=drive.facts.capacity_bytes,
        removable=drive.facts.removable,
        card_writes_a_year=limits.card_writes_a_year,
        by_hand=by_hand,
        spent=spent_bytes(spendings, now=now),
    )


def _least_budget(
    scene: Scene, members: Sequence[Drive], *, order: SubjectOrder | None, now: datetime, by_hand: bool
) -> Budget | None:
    budgets = (
        drive_budget(scene.memory, drive, order=order, limits=scene.settings.limits, now=now, by_hand=by_hand)
        for drive in members
    )
    return min(budgets, key=lambda budget: budget.left_bytes, default=None)
