"""Probes whatever is due and may be probed now, one at a time; every refusal is kept with its reason."""

import logging
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from ebbmark_agent.consent import (
    TargetFacts,
    Wanted,
    due_at,
    in_force,
    open_probe_orders,
    refusals,
    reserve_bytes,
    span_ends_at,
)
from ebbmark_agent.cycle.health import read_one
from ebbmark_agent.cycle.state import Running
from ebbmark_agent.drives import Volume
from ebbmark_agent.errors import AnotherProbeRunningError, DeviceError, VolumeFullError
from ebbmark_agent.keeping import paid_for
from ebbmark_agent.moment import host_facts, local_zone, subject_order, target_facts
from ebbmark_agent.probe import ProbeRequest, plan, run_probe
from ebbmark_agent.probe_lock import only_probe
from ebbmark_agent.report import (
    Bus,
    PathFacts,
    ProbeKind,
    ProbeOrder,
    ProbeOutcome,
    ProbeResult,
    Refusal,
    SubjectOrder,
)
from ebbmark_agent.watching import thermometer, watch_for

log = logging.getLogger(__name__)

FRESH_S = 300.0  # [s] a health reading older than this is read again before a probe
RETRY_GAVE_WAY_S = 1_800.0  # [s] a probe that gave way is not tried again sooner
HEAT_MARGIN_C = 5.0  # [C] a soak may warm the drive this much past where no probe starts, then it pauses
SPOT_BYTES = 512_000_000  # [bytes] where no order says
TOLD_BY_HEALTH = frozenset({"temperature_unknown", "too_hot", "failing_drive"})


@dataclass(frozen=True, kw_only=True)
class Due:
    """One probe that is due."""

    volume: Volume
    kind: ProbeKind
    since: datetime
    max_bytes: int | None
    subject: SubjectOrder | None
    order: ProbeOrder | None = None


def due_probes(running: Running) -> tuple[Due, ...]:
    """Give what is due: ordered probes first, then soaks before spots, then the longest overdue.

    A soak shows all that a spot shows; spots first would keep a drive that needs rest from ever being soaked.

    Args:
        running: The agent.
    """
    now = running.clock.utc()
    if not in_force(running.orders, now=now):
        return ()
    ordered = list(_ordered(running, now=now))
    recurring = sorted(
        _recurring(running, now=now), key=lambda due: (due.kind is not ProbeKind.SOAK, due.since)
    )
    return (*ordered, *recurring)


def _ordered(running: Running, *, now: datetime) -> Iterator[Due]:
    orders = running.orders
    retry = timedelta(seconds=RETRY_GAVE_WAY_S)
    for one in open_probe_orders(orders, carried_out=running.memory.carried_out(), now=now):
        gave_way = running.memory.last_done(f"gave_way:{one.order_id}")
        if gave_way is not None and gave_way <= now < gave_way + retry:
            continue
        for volume in running.inventory.volumes:
            members = running.inventory.members(volume)
            names = {name for drive in members for name in drive.facts.identity.names()}
            wanted_drive = len(members) == 1 and names.intersection(one.drive_names)
            if wanted_drive or (one.volume_id is not None and one.volume_id == volume.facts.volume_id):
                subject = subject_order(orders, volume=volume, members=members)
                yield Due(
                    volume=volume,
                    kind=one.kind,
                    since=one.not_before,
                    max_bytes=one.max_bytes,
                    subject=subject,
                    order=one,
                )
                break


def _recurring(running: Running, *, now: datetime) -> Iterator[Due]:
    for volume in running.inventory.volumes:
        members = running.inventory.members(volume)
        subject = subject_order(running.orders, volume=volume, members=members)
        if subject is None or not members:
            continue
        cadences = (
            (ProbeKind.SOAK, subject.soak_every_s, None),
            (ProbeKind.SPOT, subject.spot_every_s, subject.spot_bytes),
        )
        for kind, every_s, most in cadences:
            if every_s:
                key = f"{kind}:{members[0].key}"
                since = due_at(
                    running.memory.last_done(key),
                    every_s=every_s,
                    now=now,
                    started_at=running.started_at,
                    phase=running.phase(key),
                )
                if since <= now:
                    yield Due(volume=volume, kind=kind, since=since, max_bytes=most, subject=subject)


def probe_if_due(running: Running) -> ProbeResult | None:
    """Run the first due probe that may run now.

    Args:
        running: The agent.

    Returns:
        Its result, or None if none ran.
    """
    for due in due_probes(running):
        if running.stopping.is_set():
            return None
        try:
            with only_probe(running.settings.state_dir):
                result = _try(running, due)
        except AnotherProbeRunningError:
            return None
        except DeviceError as error:
            log.warning("%s", error)
            running.remark(str(error))
            _postpone(running, due)
            continue
        if result is not None:
            return result
    return None


def _try(running: Running, due: Due) -> ProbeResult | None:
    case = _case(running, due)
    refused = _refusals(running, case)
    if {one.code for one in refused} <= TOLD_BY_HEALTH and _refresh_health(running, due.volume):
        case = _case(running, due)
        refused = _refusals(running, case)
    now = running.clock.utc()
    key = _key(running, due.volume)
    running.refused[due.volume.facts.volume_id] = (now, refused)
    if refused:
        if running.memory.last_done(f"no_safe_moment:{key}") is None:
            running.memory.done(f"no_safe_moment:{key}", at=now)
        log.info("No %s of %s: %s", due.kind, key, refused[0].sentence)
        return None
    if due.order is not None and not running.memory.carry_out(due.order.order_id, at=now):
        return None
    running.memory.undone(f"no_safe_moment:{key}")
    return _probe(running, case)


def refusals_now(
    running: Running, volume: Volume, *, kind: ProbeKind = ProbeKind.SPOT, max_bytes: int | None = None
) -> tuple[Refusal, ...]:
    """Say why an automatic probe of a volume would not run now.

    Args:
        running: The agent.
        volume: The volume.
        kind: The probe's kind.
        max_bytes: What it would write at most [bytes].

    Returns:
        The reasons; empty if it would run.
    """
    members = running.inventory.members(volume)
    subject = subject_order(running.orders, volume=volume, members=members)
    spot_bytes = subject.spot_bytes if subject else SPOT_BYTES
    due = Due(
        volume=volume,
        kind=kind,
        since=running.clock.utc(),
        max_bytes=max_bytes if max_bytes is not None else spot_bytes,
        subject=subject,
    )
    return _refusals(running, _case(running, due))


@dataclass(frozen=True, kw_only=True)
class _Case:
    """One due probe with the facts of this moment and the request they make."""

    due: Due
    target: TargetFacts
    request: ProbeRequest
    wanted: Wanted


def _case(running: Running, due: Due) -> _Case:
    members = running.inventory.members(due.volume)
    target = target_facts(
        running.scene,
        name=" + ".join(drive.display_name for drive in members) or due.volume.facts.volume_id,
        volume=due.volume,
        inventory=running.inventory,
        readings=running.held_readings(),
        now=running.clock.utc(),
        by_hand=False,
    )
    request = _request(running, due, target)
    wanted = Wanted(kind=due.kind, written_bytes=_planned(running, request, due))
    return _Case(due=due, target=target, request=request, wanted=wanted)


def _refusals(running: Running, case: _Case) -> tuple[Refusal, ...]:
    now = running.clock.utc()
    host = host_facts(running.scene, volume=case.due.volume, inventory=running.inventory, now=now)
    return refusals(case.wanted, target=case.target, host=host, limits=running.settings.limits, now=now)


def _planned(running: Running, request: ProbeRequest, due: Due) -> int:
    if not due.volume.probeable or due.volume.facts.read_only:
        return due.max_bytes or 0
    try:
        return plan(request, running.platform.space(request.folder)).written_bytes
    except VolumeFullError:
        return due.max_bytes or due.volume.facts.free_bytes


def _request(running: Running, due: Due, target: TargetFacts) -> ProbeRequest:
    members = running.inventory.members(due.volume)
    limits = running.settings.limits
    most = due.max_bytes
    if most is None and target.budget is not None:
        most = target.budget.left_bytes
    last = target.last_probe_at
    now = running.clock.utc()
    return ProbeRequest(
        folder=Path(due.volume.mount_point),
        kind=due.kind,
        path=members[0].facts.path if members else PathFacts(bus=Bus.UNKNOWN),
        file_system=due.volume.facts.file_system,
        disks=tuple(drive.kernel_name for drive in members),
        probe_id=f"probe-{secrets.token_hex(8)}",
        max_bytes=most,
        keep_free_bytes=reserve_bytes(Wanted(kind=due.kind, written_bytes=0), target, limits),
        buffer_s=due.subject.buffer_s if due.subject else 1.0,
        rate_bytes_per_s=(due.subject.rate_bytes_per_s or None) if due.subject else None,
        heat_limit_c=limits.max_temperature_c + HEAT_MARGIN_C,
        rest_before_s=max(0.0, (now - last).total_seconds()) if last else None,
    )


def _refresh_health(running: Running, volume: Volume) -> bool:
    """Read what is stale; whether anything was."""
    now = running.clock.utc()
    fresh = True
    for drive in running.inventory.members(volume):
        held = running.readings.get(drive.ref)
        if held is None or abs((now - held.read_at).total_seconds()) > FRESH_S:
            read_one(running, drive)
            fresh = False
    return not fresh


def _probe(running: Running, case: _Case) -> ProbeResult:
    due, request = case.due, case.request
    members = running.inventory.members(due.volume)
    watch = watch_for(
        running.scene,
        volume=due.volume,
        inventory=running.inventory,
        lively_bytes_per_s=running.settings.limits.system_foreign_bytes_per_s,
    )
    watch.also = (*watch.also, _Ending(running))
    running.probed = frozenset(request.disks)
    try:
        with paid_for(
            running.keeper,
            probe_id=request.probe_id or "",
            kind=due.kind,
            planned_bytes=case.wanted.written_bytes,
            by_hand=False,
            volume=due.volume,
            inventory=running.inventory,
            now=running.clock.utc(),
        ):
            result = run_probe(
                request,
                platform=running.platform,
                watch=watch,
                clock=running.clock,
                cancel=running.stopping,
                thermometer=thermometer(
                    members, running.held_readings(), runner=running.runner, clock=running.clock
                )
                if due.kind is ProbeKind.SOAK
                else None,
            )
    finally:
        running.probed = frozenset()
        running.lookout.forget(request.disks)
    now = running.clock.utc()
    running.keeper.keep_result(result, volume=due.volume, inventory=running.inventory, now=now)
    _remember(running, due, result, now=now)
    return result


def _remember(running: Running, due: Due, result: ProbeResult, *, now: datetime) -> None:
    """A completed probe sets the cadence; one that gave way is tried again after a while."""
    if result.outcome in {ProbeOutcome.GAVE_WAY, ProbeOutcome.CANCELLED}:
        _postpone(running, due)
        return
    key = _key(running, due.volume)
    running.memory.done(f"{due.kind}:{key}", at=now)
    if due.kind is ProbeKind.SOAK:
        running.memory.done(f"{ProbeKind.SPOT}:{key}", at=now)


def _postpone(running: Running, due: Due) -> None:
    now = running.clock.utc()
    if due.order is not None:
        running.memory.not_carried_out(due.order.order_id)
        running.memory.done(f"gave_way:{due.order.order_id}", at=now)
    elif due.subject is not None:
        soak = due.kind is ProbeKind.SOAK
        every_s = (due.subject.soak_every_s if soak else due.subject.spot_every_s) or RETRY_GAVE_WAY_S
        at = now - timedelta(seconds=max(0.0, every_s - RETRY_GAVE_WAY_S))
        running.memory.done(f"{due.kind}:{_key(running, due.volume)}", at=at)


def _key(running: Running, volume: Volume) -> str:
    """Give what a volume is remembered by: its first drive, or itself where none is known beneath it."""
    members = running.inventory.members(volume)
    return members[0].key if members else f"volume:{volume.facts.volume_id}"


class _Ending:
    """Asked by a running probe: have the hours ended, a hold begun, or the orders changed."""

    def __init__(self, running: Running) -> None:
        self._running = running
        now = running.clock.utc()
        self._ends_at = span_ends_at(
            now,
            owner=running.settings.limits.hours(),
            ordered=running.orders.probe_hours if running.orders else (),
            zone=local_zone(now),
        )

    def __call__(self) -> str | None:
        now = self._running.clock.utc()
        orders = self._running.orders
        if self._ends_at is not None and now >= self._ends_at:
            return "The probe hours have ended."
        if orders is None or not orders.probing_enabled or now >= orders.valid_until:
            return "The collector no longer asks for probes here."
        if any(hold.starts_at <= now < hold.ends_at for hold in orders.holds):
            return "A hold began."
        return None
