"""`drives`, `health`, `why`, `formats`: what the machine and the program know, nothing is changed."""

import json
import threading
from collections.abc import Callable
from typing import Any

import click

from ebbmark_agent.bench import everything_here, look_at_health
from ebbmark_agent.cli.folding import for_terminal
from ebbmark_agent.cli.frame import Frame, table
from ebbmark_agent.cli.service import running_agent
from ebbmark_agent.cycle import refusals_now
from ebbmark_agent.definitions import shipped_roles
from ebbmark_agent.drives import Drive, Inventory, Volume, scan, with_names
from ebbmark_agent.errors import SmartctlMissingError, UnknownDriveError
from ebbmark_agent.evidence import demand_of, path_name
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_rate
from ebbmark_agent.moment import drive_budget, subject_order
from ebbmark_agent.report import HealthReading, HealthState
from ebbmark_agent.report.as_evidence import path_of
from ebbmark_agent.settings import Settings


@click.command()
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
@click.pass_obj
def drives(frame: Frame, *, as_json: bool) -> None:
    """List the drives and volumes of this machine."""
    inventory = everything_here(runner=frame.runner)
    if as_json:
        document = {
            "drives": [
                drive.facts.model_dump(mode="json", exclude_none=True) for drive in inventory.with_health
            ],
            "volumes": [
                volume.facts.model_dump(mode="json", exclude_none=True) for volume in inventory.volumes
            ],
            "remarks": list(inventory.remarks),
        }
        click.echo(json.dumps(document))
        return
    rows = [
        (
            drive.display_name,
            spoken_bytes(drive.facts.capacity_bytes) if drive.facts.capacity_bytes else "unknown",
            path_name(path_of(drive.facts.path)),
            ", ".join(_traits(drive)),
        )
        for drive in inventory.with_health
    ]
    click.echo(for_terminal(table(rows, header=("drive", "size", "path", ""))))
    click.echo()
    rows = [_volume_row(inventory, volume) for volume in inventory.volumes]
    click.echo(for_terminal(table(rows, header=("volume", "file system", "free", "lies on"))))
    for remark in inventory.remarks:
        click.echo("\n" + for_terminal(remark))


def _traits(drive: Drive) -> list[str]:
    facts = drive.facts
    traits = [
        ("removable: only read", facts.removable),
        ("system disk", facts.system_drive),
        ("rotating", facts.rotational is True),
        ("behind a RAID controller: only its health is read", drive.smart_type is not None),
        ("served by a RAID controller", drive.smart_type is None and drive.controller is not None),
    ]
    return [name for name, present in traits if present]


def _volume_row(inventory: Inventory, volume: Volume) -> tuple[str, str, str, str]:
    beneath = " + ".join(drive.kernel_name for drive in inventory.members(volume)) or "unknown"
    return (
        volume.mount_point,
        volume.facts.file_system + (", read-only" if volume.facts.read_only else ""),
        f"{spoken_bytes(volume.facts.free_bytes)} of {spoken_bytes(volume.facts.size_bytes)}",
        beneath if volume.probeable else f"{beneath} (uncertain: not probed)",
    )


@click.command()
@click.argument("named", metavar="[DRIVE]", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
@click.pass_obj
def health(frame: Frame, *, named: str | None, as_json: bool) -> None:
    """Read and show what each drive, or DRIVE, says of its own health. Sleeping drives are not woken."""
    chosen = tuple(_chosen(everything_here(runner=frame.runner), named))
    readings, better = look_at_health(chosen, runner=frame.runner, clock=frame.clock)
    if as_json:
        document = [
            {
                "drive": better[ref].facts.model_dump(mode="json", exclude_none=True),
                "reading": reading.model_dump(mode="json", exclude_none=True),
            }
            for ref, reading in readings.items()
        ]
        click.echo(json.dumps({"drives": document}))
    else:
        for ref, reading in readings.items():
            click.echo(better[ref].display_name)
            for label, value in _health_rows(reading):
                click.echo(for_terminal(f"  {label:<22}{value}" if label else f"  {value}"))
    if readings and all(one.state is HealthState.NO_SMARTCTL for one in readings.values()):
        raise SmartctlMissingError


def _chosen(inventory: Inventory, named: str | None) -> list[Drive]:
    if named is None:
        return list(inventory.with_health)
    wanted = named.lower()
    found = [drive for drive in inventory.with_health if wanted in _names_of(drive)]
    if not found:
        raise UnknownDriveError(named=named)
    return found


def _names_of(drive: Drive) -> set[str]:
    identity = drive.facts.identity
    own = (drive.ref, drive.device, drive.kernel_name, drive.smart_node, identity.serial, identity.wwn)
    return {name.lower() for name in own if name} | set(identity.names())


def _health_rows(reading: HealthReading) -> list[tuple[str, str]]:
    if reading.state is not HealthState.READ:
        return [("", reading.sentence)]
    values = [
        ("its own assessment", reading.assessment.value),
        ("temperature", f"{reading.temperature_c:.0f} C" if reading.temperature_c is not None else None),
        ("rated life used", _percent(reading.percentage_used)),
        ("spare blocks left", _percent(reading.available_spare_percent)),
        ("written in its life", _spoken(reading.written_bytes)),
        ("hours powered", _number(reading.power_on_hours)),
        ("media errors", _number(reading.media_errors)),
        ("sectors reallocated", _number(reading.reallocated_sectors)),
        ("sectors unreadable", _number(reading.pending_sectors)),
        ("link checksum errors", _number(reading.interface_crc_errors)),
        ("warnings", ", ".join(reading.critical_warnings) or None),
    ]
    return [(label, value) for label, value in values if value is not None]


def _percent(value: int | None) -> str | None:
    if value is None:
        return None
    return "more than 254 %" if value >= 255 else f"{value} %"


def _spoken(value: int | None) -> str | None:
    return None if value is None else spoken_bytes(value)


def _number(value: int | None) -> str | None:
    return None if value is None else f"{value}"


@click.command()
@click.argument("named", metavar="[DRIVE]", required=False)
@click.option("--watch-s", type=click.FloatRange(min=0), help="Watch the disks so long first [s].")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
@click.pass_obj
def why(frame: Frame, *, named: str | None, watch_s: float | None, as_json: bool) -> None:
    """Say, drive by drive, why no automatic probe would run now, and what probing has cost."""
    running = running_agent(frame)
    inventory = scan()
    chosen = {drive.ref for drive in _chosen(inventory, named)}
    readings, better = look_at_health(
        (drive for drive in inventory.drives if drive.ref in chosen), runner=frame.runner, clock=frame.clock
    )
    running.inventory = with_names(inventory, better)
    running.readings = readings
    running.settings = _watching_for(frame, watch_s)
    _watch(running.lookout.look, seconds=running.settings.limits.quiet_s)
    answers: list[dict[str, Any]] = []
    for volume in running.inventory.volumes:
        members = running.inventory.members(volume)
        if not chosen.intersection(drive.ref for drive in members):
            continue
        order = subject_order(running.orders, volume=volume, members=members)
        budgets = [
            drive_budget(
                running.memory, drive, order=order, limits=running.settings.limits, now=frame.clock.utc()
            )
            for drive in members
        ]
        answers.append(
            {
                "volume": volume.mount_point,
                "drives": [drive.display_name for drive in members],
                "role": order.role if order else None,
                "refused": [
                    one.model_dump(mode="json", exclude_none=True) for one in refusals_now(running, volume)
                ],
                "probed_bytes_365_days": max(budget.spent_bytes for budget in budgets),
                "budget_bytes_365_days": min(budget.allowed_bytes for budget in budgets),
            }
        )
    click.echo(json.dumps({"volumes": answers}) if as_json else for_terminal(_why_text(answers)))


def _watching_for(frame: Frame, watch_s: float | None) -> Settings:
    """The settings, with the time to watch that a person has patience for."""
    settings = frame.settings
    quiet_s = min(settings.limits.quiet_s, 2.0) if watch_s is None else watch_s
    limits = settings.limits.model_copy(update={"quiet_s": quiet_s})
    return settings.model_copy(update={"limits": limits})


def _watch(look: Callable[[], None], *, seconds: float) -> None:
    pause = threading.Event()
    look()
    pause.wait(seconds + 0.05)
    look()


def _why_text(answers: list[dict[str, Any]]) -> str:
    lines: list[str] = []
    for one in answers:
        refused = one["refused"]
        lines.append(f"{one['volume']}: {' + '.join(one['drives'])}")
        role = one["role"] or "none: the collector has given it no role here, so nothing is due"
        lines.append(f"  role      {role}")
        spent, allowed = one["probed_bytes_365_days"], one["budget_bytes_365_days"]
        lines.append(f"  cost      {spoken_bytes(spent)} of {spoken_bytes(allowed)} in 365 days")
        if not refused:
            lines.append("  a probe could run now")
        lines.extend(f"  refused   {reason['sentence']}" for reason in refused)
    return "\n".join(lines) or "There is no volume here whose drives are known."


@click.command()
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
@click.pass_obj
def formats(frame: Frame, *, as_json: bool) -> None:
    """List the recording formats and roles that --for knows."""
    known = list(frame.formats)
    roles = [(role, demand) for role in shipped_roles() if (demand := demand_of(role)) is not None]
    if as_json:
        document = {
            "formats": [
                {
                    "name": one.name,
                    "label": str(one),
                    "rate_bytes_per_s": one.mean_bytes_per_s,
                    "source": one.source,
                }
                for one in known
            ],
            "roles": [
                {
                    "name": role.name,
                    "label": role.label,
                    "rate_bytes_per_s": demand.rate_bytes_per_s,
                    "demand_bytes_per_s": demand.demand_bytes_per_s,
                    "buffer_s": demand.buffer_s,
                }
                for role, demand in roles
            ],
        }
        click.echo(json.dumps(document))
        return
    click.echo(
        table(
            [(role.name, spoken_rate(demand.demand_bytes_per_s), role.label) for role, demand in roles],
            header=("role", "asks", ""),
        )
    )
    click.echo()
    click.echo(
        table(
            [(one.name, spoken_rate(one.mean_bytes_per_s), str(one)) for one in known],
            header=("recording format", "rate", ""),
        )
    )
