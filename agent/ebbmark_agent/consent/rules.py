"""May this probe run now: every reason against it, each with its figure. No reason means yes.

1. Whatever cannot be told counts against an automatic probe; a person at the bench is told of it instead.
2. A person's command on a fixed drive stands for the owner's leave, the hours, the orders and the budget. It
   never outweighs a take: holds, the on-air switch, capture programs and foreign I/O bind it as well.
3. Removable media are for reading. Only a person's word for this insertion opens one, and only without clips.
4. Failing drives, read-only, network and uncertain volumes are never written. A probe that only reads needs
   no leave to write and no room, and may read a removable medium.
5. A hold that ends starts nothing: every other rule still has to agree.
"""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta

from ebbmark_agent.consent.facts import DiskActivity, HostFacts, TargetFacts, Wanted
from ebbmark_agent.consent.hours import hours_sentence, inside_both
from ebbmark_agent.report import Refusal
from ebbmark_agent.settings import LimitSettings

BY_HAND_QUIET_S = 1.0  # [s] a person waits no longer than this for the disk to be watched
BY_HAND_RESERVE_BYTES = 64_000_000  # [bytes] left free after a probe by hand, or 1 % where that is less
DEBT_WITHOUT_DISCARD = 24  # [1] times the rest, where the drive may not know of the freed blocks

Rule = Callable[[Wanted, TargetFacts, HostFacts, LimitSettings, datetime], Iterator[Refusal]]


def refusals(
    wanted: Wanted, *, target: TargetFacts, host: HostFacts, limits: LimitSettings, now: datetime
) -> tuple[Refusal, ...]:
    """Give every reason why a probe may not run now.

    Args:
        wanted: The probe.
        target: The volume and what lies beneath it.
        host: The machine.
        limits: What the owner allows.
        now: The present instant (aware).

    Returns:
        The reasons, those that bind hardest first; empty if it may run.
    """
    return tuple(reason for rule in RULES for reason in rule(wanted, target, host, limits, now))


def quiet_needed_s(wanted: Wanted, limits: LimitSettings) -> float:
    """Give how long the disks must have been watched before the probe.

    Args:
        wanted: The probe.
        limits: What the owner allows.

    Returns:
        The time [s].
    """
    return min(BY_HAND_QUIET_S, limits.quiet_s) if wanted.by_hand else limits.quiet_s


def reserve_bytes(wanted: Wanted, target: TargetFacts, limits: LimitSettings) -> int:
    """Give what must stay free on the volume after the probe.

    Args:
        wanted: The probe.
        target: The volume.
        limits: What the owner allows.

    Returns:
        The reserve [bytes].
    """
    if wanted.by_hand:
        return min(BY_HAND_RESERVE_BYTES, target.size_bytes // 100)
    return max(limits.min_free_bytes, int(limits.min_free_share * target.size_bytes))


def _medium(
    wanted: Wanted, target: TargetFacts, _host: HostFacts, _limits: LimitSettings, _now: datetime
) -> Iterator[Refusal]:
    if not target.removable or wanted.reads_only:
        return
    if not wanted.by_hand:
        yield Refusal(
            code="removable_medium",
            sentence=f"{target.name} is removable and may hold the only copy of a take: it is only read.",
        )
        if target.clips is None:
            return  # nobody looked for clips, since it makes no difference
    elif not target.word_given:
        yield Refusal(
            code="removable_medium",
            sentence=f"{target.name} is removable. Say that this medium, as inserted now, may be written.",
        )
    if target.clips is None or not target.clips.complete:
        yield Refusal(code="clips_unknown", sentence=f"It cannot be told whether {target.name} holds clips.")
    elif target.clips.clips:
        yield Refusal(
            code="clips_on_medium",
            sentence=f"{target.name} holds what looks like clips. Offload it, then erase it in the recorder.",
            figure=float(target.clips.clips),
            unit="files and folders",
        )


def _volume(
    wanted: Wanted, target: TargetFacts, _host: HostFacts, _limits: LimitSettings, _now: datetime
) -> Iterator[Refusal]:
    if target.failing:
        yield Refusal(
            code="failing_drive",
            sentence=f"{target.name} is failing ({target.failing}): it is only read. Save what is on it.",
        )
    if target.network:
        yield Refusal(
            code="network_volume", sentence=f"{target.name} is a network volume, out of the agent's scope."
        )
    elif not target.certain:
        yield Refusal(
            code="uncertain_volume",
            sentence=f"It cannot be told which drives lie beneath {target.name}, so they cannot be watched.",
        )
    if target.read_only and not wanted.reads_only:
        yield Refusal(code="read_only_volume", sentence=f"{target.name} is read-only.")


def _leave(
    wanted: Wanted, _target: TargetFacts, host: HostFacts, limits: LimitSettings, _now: datetime
) -> Iterator[Refusal]:
    if wanted.by_hand:
        return
    if not limits.writes_allowed and not wanted.reads_only:
        yield Refusal(
            code="writes_not_allowed",
            sentence="This machine's owner has not allowed probes to write (limits.writes_allowed).",
        )
    if not host.orders_valid:
        yield Refusal(code="no_orders", sentence="There are no valid orders from the collector.")
    elif not host.probing_enabled:
        yield Refusal(
            code="probing_not_enabled", sentence="The collector's admin has not turned probing on here."
        )
    if host.show and (host.contact_lost_s is None or host.contact_lost_s > limits.contact_lost_s):
        yield Refusal(
            code="out_of_contact",
            sentence="This machine works on a show and has no contact with the collector: it stays quiet.",
            figure=host.contact_lost_s,
            unit="s",
        )


def _take(
    _wanted: Wanted, _target: TargetFacts, host: HostFacts, _limits: LimitSettings, now: datetime
) -> Iterator[Refusal]:
    if not host.switches_readable:
        yield Refusal(
            code="switches_unreadable",
            sentence="It cannot be told whether this machine is on air: this user may not look into the "
            "agent's state folder. Run as root or as the agent's user.",
        )
    elif host.on_air:
        yield Refusal(
            code="on_air", sentence="The on-air switch is set here. Clear it with: ebbmark-agent off-air"
        )
    for hold in host.holds:
        if hold.starts_at <= now < hold.ends_at:
            yield Refusal(
                code="hold",
                sentence=f"Nothing probes until {hold.ends_at:%Y-%m-%d %H:%M %Z}: {hold.reason}",
                figure=round((hold.ends_at - now).total_seconds(), 1),
                unit="s left",
            )
    if host.capture_processes:
        yield Refusal(
            code="capture_process",
            sentence=f"A program that means capture is running ({', '.join(host.capture_processes)}).",
            figure=float(len(host.capture_processes)),
            unit="programs",
        )


def _hours(
    wanted: Wanted, _target: TargetFacts, host: HostFacts, limits: LimitSettings, now: datetime
) -> Iterator[Refusal]:
    owner = limits.hours()
    if wanted.by_hand or inside_both(now, owner=owner, ordered=host.ordered_hours, zone=host.zone):
        return
    ordered = f" and the collector's are {hours_sentence(host.ordered_hours)}" if host.ordered_hours else ""
    yield Refusal(
        code="outside_probe_hours",
        sentence=f"It is {now.astimezone(host.zone):%H:%M} here; probe hours are "
        f"{hours_sentence(owner)}{ordered}.",
    )


def _foreign(
    wanted: Wanted, target: TargetFacts, host: HostFacts, limits: LimitSettings, _now: datetime
) -> Iterator[Refusal]:
    needed_s = quiet_needed_s(wanted, limits)
    for disk in target.activity:
        yield from _quiet(disk, needed_s=needed_s, limits=limits, code="foreign_io")
    if not target.activity and not wanted.by_hand:
        yield Refusal(code="not_watched", sentence=f"No disk counters of {target.name} are at hand.")
    if host.recorder_host:
        for disk in host.neighbours:
            if disk.shares_upstream is not False:
                yield from _quiet(disk, needed_s=needed_s, limits=limits, code="neighbour_io")
    if target.open_writers and not target.lively:
        yield Refusal(
            code="open_writers",
            sentence=f"Files on {target.name} are open for writing by other programs.",
            figure=float(target.open_writers),
            unit="files",
        )
    elif target.open_writers is None and not target.lively and not wanted.by_hand:
        yield Refusal(
            code="open_writers_unknown",
            sentence=f"It cannot be told whether files on {target.name} are open for writing.",
        )


def _quiet(disk: DiskActivity, *, needed_s: float, limits: LimitSettings, code: str) -> Iterator[Refusal]:
    where = f"{disk.name}, which shares its upstream link or may," if code == "neighbour_io" else disk.name
    if disk.watched_s < needed_s:
        yield Refusal(
            code="not_watched_long_enough",
            sentence=f"{disk.name} has been watched for {disk.watched_s:.0f} s of {needed_s:.0f} s.",
            figure=round(disk.watched_s, 3),
            unit="s",
        )
    granted = limits.system_foreign_bytes_per_s * disk.watched_s if disk.lively else 0.0
    if disk.foreign_bytes > granted:
        yield Refusal(
            code=code,
            sentence=f"{where} was used by others: {disk.foreign_bytes / 1e6:.3g} MB in the last "
            f"{disk.watched_s:.0f} s.",
            figure=float(disk.foreign_bytes),
            unit="bytes",
        )


def _room(
    wanted: Wanted, target: TargetFacts, _host: HostFacts, limits: LimitSettings, _now: datetime
) -> Iterator[Refusal]:
    if wanted.reads_only:
        return
    left = target.free_bytes - wanted.written_bytes
    needed = reserve_bytes(wanted, target, limits)
    if left < needed:
        yield Refusal(
            code="too_full",
            sentence=f"{target.name} has {target.free_bytes / 1e9:.2f} GB free; the probe writes "
            f"{wanted.written_bytes / 1e9:.2f} GB and {needed / 1e9:.2f} GB must stay free.",
            figure=float(target.free_bytes),
            unit="bytes",
        )


def _physical(
    wanted: Wanted, target: TargetFacts, host: HostFacts, limits: LimitSettings, _now: datetime
) -> Iterator[Refusal]:
    if target.temperature_c is not None and target.temperature_c >= limits.max_temperature_c:
        yield Refusal(
            code="too_hot",
            sentence=f"{target.name} is at {target.temperature_c:.0f} C; probes start below "
            f"{limits.max_temperature_c:.0f} C.",
            figure=target.temperature_c,
            unit="C",
        )
    unknown_binds = not wanted.by_hand and not limits.allow_unknown_temperature
    if target.temperature_c is None and unknown_binds:
        yield Refusal(
            code="temperature_unknown",
            sentence=f"{target.name} does not tell its temperature (limits.allow_unknown_temperature).",
        )
    if host.on_mains is False and limits.require_mains:
        yield Refusal(code="on_battery", sentence="This machine runs on battery.")


def _wear(
    wanted: Wanted, target: TargetFacts, _host: HostFacts, _limits: LimitSettings, _now: datetime
) -> Iterator[Refusal]:
    if wanted.reads_only or (wanted.by_hand and (wanted.stated_bytes or not target.removable)):
        return
    if target.removable and not wanted.by_hand:
        return  # never written by rule, whatever it costs
    if target.budget is None:
        if not wanted.by_hand:
            yield Refusal(code="budget_unknown", sentence=f"No wear budget is worked out for {target.name}.")
    elif wanted.written_bytes > target.budget.left_bytes:
        yield Refusal(
            code="wear_budget_spent",
            sentence=f"Probing {target.name} has cost {target.budget.spent_bytes / 1e9:.2f} GB in a year of "
            f"the {target.budget.allowed_bytes / 1e9:.2f} GB it may ({target.budget.basis}).",
            figure=float(target.budget.left_bytes),
            unit="bytes left",
        )


def _debt(
    wanted: Wanted, target: TargetFacts, _host: HostFacts, limits: LimitSettings, now: datetime
) -> Iterator[Refusal]:
    if wanted.by_hand or target.last_probe_at is None:
        return
    times = 1 if target.last_probe_discarded else DEBT_WITHOUT_DISCARD
    rest = timedelta(seconds=limits.rest_after_probe_s * times)
    since = now - target.last_probe_at
    # A last probe in the future means that the clock jumped back: no debt, or it would starve.
    if timedelta(0) <= since < rest:
        yield Refusal(
            code="debt",
            sentence=f"{target.name} was probed {since.total_seconds() / 3600:.1f} h ago and is left "
            f"{rest.total_seconds() / 3600:.1f} h to tidy up.",
            figure=since.total_seconds(),
            unit="s",
        )


def _one_at_a_time(
    _wanted: Wanted, _target: TargetFacts, host: HostFacts, _limits: LimitSettings, _now: datetime
) -> Iterator[Refusal]:
    if host.probe_running:
        yield Refusal(code="another_probe", sentence="Another probe is running on this machine.")


RULES: tuple[Rule, ...] = (
    _medium,
    _volume,
    _leave,
    _take,
    _hours,
    _one_at_a_time,
    _foreign,
    _room,
    _physical,
    _wear,
    _debt,
)
