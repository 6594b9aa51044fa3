"""One probe by hand: its own facts, its own leave, its judgement; nothing needs to be set up or enrolled.

1. A person's command on a fixed drive is permission enough. It still never outweighs a take: the disk is
   watched first, and switches, holds, capture programs and foreign I/O bind it.
2. A disk that is not quiet is waited for a little while; then the probe is refused with the figure.
"""

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from ebbmark_agent.clock import Clock
from ebbmark_agent.consent import BY_HAND_QUIET_S, Wanted, refusals
from ebbmark_agent.drives import (
    Drive,
    Inventory,
    Volume,
    scan,
    volume_of,
    wants_a_look,
    with_names,
    with_those_behind,
)
from ebbmark_agent.evidence import Demand, Fit, InUse, MinutesKind, ProbeEvidence, fit
from ebbmark_agent.health import JsonSmartctl, examine
from ebbmark_agent.memory import Memory
from ebbmark_agent.moment import Scene, host_facts, target_facts
from ebbmark_agent.platforms import Platform
from ebbmark_agent.probe import ProbeRequest, ProgressSink, plan, run_probe
from ebbmark_agent.report import Bus, HealthReading, PathFacts, ProbeKind, ProbeResult, Refusal
from ebbmark_agent.report.as_evidence import evidence_of
from ebbmark_agent.watching import thermometer, watch_for

WAIT_FOR_QUIET_S = 15.0  # [s] a disk somebody has just finished with gets this long to fall quiet
LIVELY_BYTES_PER_S = 20_000_000  # [bytes/s] on a system disk, with a person there who knows that it is one
DEBT_REST = timedelta(hours=6)  # after which a drive counts as rested; common practice, no source
WORTH_WAITING_FOR = frozenset({"foreign_io", "neighbour_io", "not_watched_long_enough"})


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a person asks for at the bench.

    Attributes:
        path: A folder on the volume to probe.
        kind: What kind of probe.
        demand: What to judge it against, or None.
        buffer_s: The buffer for the floor where there is no demand [s].
        max_bytes: The most it may write [bytes], or None.
        word_given: Their word that this removable medium, as inserted now, may be written.
        rate_bytes_per_s: The rate of a rehearsal [bytes/s].
        duration_s: The length of a rehearsal [s].
        source: The file of a copy test.
        heat_limit_c: A soak pauses from this temperature on [C].
        streams: Files read at once [1].
    """

    path: Path
    kind: ProbeKind
    demand: Demand | None = None
    buffer_s: float = 1.0
    max_bytes: int | None = None
    word_given: bool = False
    rate_bytes_per_s: float | None = None
    duration_s: float | None = None
    source: Path | None = None
    heat_limit_c: float | None = None
    streams: int = 1


@dataclass(frozen=True, kw_only=True)
class Bench:
    """The volume on the bench, with what was found out about its drives."""

    volume: Volume
    inventory: Inventory
    readings: Mapping[str, HealthReading]

    @property
    def members(self) -> tuple[Drive, ...]:
        """The drives beneath the volume."""
        return self.inventory.members(self.volume)


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A probe by hand with its evidence and, where a demand was named, its fit."""

    result: ProbeResult
    evidence: ProbeEvidence | None
    fit: Fit | None


def lay_on_bench(path: Path, *, runner: JsonSmartctl, clock: Clock) -> Bench:
    """Find the volume that holds a path and read the health and names of its drives.

    Args:
        path: A folder on it.
        runner: How smartctl is run.
        clock: The clocks.

    Raises:
        PathMissingError: There is no such path.
        NotAVolumeError: No mounted file system holds it.
    """
    volume, inventory = volume_of(path)
    readings, named = look_at_health(inventory.members(volume), runner=runner, clock=clock)
    return Bench(volume=volume, inventory=with_names(inventory, named), readings=readings)


def look_at_health(
    drives: Iterable[Drive], *, runner: JsonSmartctl, clock: Clock
) -> tuple[dict[str, HealthReading], dict[str, Drive]]:
    """Read drives' health once, which also gives better names.

    Args:
        drives: The drives.
        runner: How smartctl is run.
        clock: The clocks.

    Returns:
        The readings and the better-named drives, by ref.
    """
    readings, named = {}, {}
    for drive in drives:
        found = examine(drive, now=clock.utc(), runner=runner, device_type=drive.smart_type)
        readings[drive.ref] = found.reading
        named[drive.ref] = drive.named(found.identity, rotation_rpm=found.rotation_rpm)
    return readings, named


def everything_here(*, runner: JsonSmartctl) -> Inventory:
    """Look at this machine, with the disks that only smartctl can reach.

    Args:
        runner: How smartctl is run.
    """
    found = scan()
    return with_those_behind(found, runner.list_devices()) if wants_a_look(found) else found


def request_for(asked: Asked, bench: Bench) -> ProbeRequest:
    """Give the probe to run.

    Args:
        asked: What for.
        bench: Where.
    """
    members = bench.members
    return ProbeRequest(
        folder=asked.path,
        kind=asked.kind,
        path=members[0].facts.path if members else PathFacts(bus=Bus.UNKNOWN),
        file_system=bench.volume.facts.file_system,
        disks=tuple(drive.kernel_name for drive in members),
        max_bytes=asked.max_bytes,
        buffer_s=asked.demand.buffer_s if asked.demand else asked.buffer_s,
        rate_bytes_per_s=asked.rate_bytes_per_s,
        duration_s=asked.duration_s,
        source=asked.source,
        heat_limit_c=asked.heat_limit_c,
        streams=asked.streams,
        by_hand=True,
    )


def wanted_for(asked: Asked, request: ProbeRequest, *, bench: Bench, platform: Platform) -> Wanted:
    """Give what consent has to know of the probe.

    Args:
        asked: What for.
        request: The probe.
        bench: Where; a volume that is refused anyway needs no plan.
        platform: The system's ways.

    Raises:
        VolumeFullError: There is no room for the smallest probe.
    """
    reads_only = asked.kind is ProbeKind.READ or not bench.volume.probeable or bench.volume.facts.read_only
    return Wanted(
        kind=asked.kind,
        written_bytes=0 if reads_only else plan(request, platform.space(asked.path)).written_bytes,
        by_hand=True,
        stated_bytes=asked.max_bytes is not None,
    )


def refusals_by_hand(
    asked: Asked, wanted: Wanted, *, bench: Bench, scene: Scene, clock: Clock, say: Callable[[str], None]
) -> tuple[Refusal, ...]:
    """Watch the disks for a moment, and for some more if nothing but somebody's I/O is in the way.

    Args:
        asked: What for.
        wanted: The same as consent sees it.
        bench: Where.
        scene: Where facts come from.
        clock: The clocks.
        say: Is told in a sentence what is waited for.

    Returns:
        Why the probe may not run; empty if it may.
    """
    limits = scene.settings.limits.model_copy(update={"system_foreign_bytes_per_s": LIVELY_BYTES_PER_S})
    pause = threading.Event()
    deadline = clock.monotonic_s() + WAIT_FOR_QUIET_S
    said = False
    scene.lookout.look()
    while True:
        pause.wait(BY_HAND_QUIET_S + 0.05)
        scene.lookout.look()
        now = clock.utc()
        target = target_facts(
            scene,
            name=str(asked.path),
            volume=bench.volume,
            inventory=bench.inventory,
            readings=bench.readings,
            now=now,
            by_hand=True,
            word_given=asked.word_given,
        )
        host = host_facts(scene, volume=bench.volume, inventory=bench.inventory, now=now)
        found = refusals(wanted, target=target, host=host, limits=limits, now=now)
        codes = {one.code for one in found}
        if not codes or not codes <= WORTH_WAITING_FOR or clock.monotonic_s() >= deadline:
            return found
        if not said:
            say(f"Waiting for quiet. {found[0].sentence}")
            said = True


def probe_on_bench(
    asked: Asked,
    request: ProbeRequest,
    *,
    bench: Bench,
    scene: Scene,
    runner: JsonSmartctl,
    clock: Clock,
    progress: ProgressSink | None = None,
    cancel: threading.Event | None = None,
) -> Judged:
    """Run the probe and judge it.

    Args:
        asked: What for.
        request: The probe.
        bench: Where.
        scene: Where answers come from.
        runner: How smartctl is run.
        clock: The clocks.
        progress: Is told how far the probe is.
        cancel: Set to call the probe off.

    Raises:
        DeviceError: Nothing could be written at all.
    """
    watch = watch_for(
        scene, volume=bench.volume, inventory=bench.inventory, lively_bytes_per_s=LIVELY_BYTES_PER_S
    )
    result = run_probe(
        request,
        platform=scene.platform,
        watch=watch,
        progress=progress,
        clock=clock,
        cancel=cancel,
        thermometer=thermometer(bench.members, bench.readings, runner=runner, clock=clock),
    )
    debt_bytes = owed_before(result, scene.memory, bench.members) if scene.memory else 0
    return judge(asked, result, bench=bench, debt_bytes=debt_bytes)


def owed_before(result: ProbeResult, memory: Memory, members: Iterable[Drive]) -> int:
    """Give what earlier probes wrote to a drive that it was not shown to have slept off [bytes].

    Args:
        result: The probe that followed them.
        memory: What the agent remembers.
        members: The drives beneath its volume; the one that owes most counts.
    """
    since = result.started_at - DEBT_REST
    return max(
        (
            sum(
                spent.written_bytes
                for spent in memory.spendings(drive.key)
                if since < spent.at < result.started_at
                and spent.probe_id != result.probe_id
                and not spent.discarded
            )
            for drive in members
        ),
        default=0,
    )


def judge(asked: Asked, result: ProbeResult, *, bench: Bench, debt_bytes: float = 0.0) -> Judged:
    """Turn a probe's result into evidence and, where a demand was named, a fit.

    Args:
        asked: What was asked for.
        result: What the probe showed.
        bench: Where.
        debt_bytes: What had been written before it since the last rest or erase [bytes].
    """
    try:
        evidence = evidence_of(
            result,
            capacity_bytes=bench.volume.facts.size_bytes,
            rotational=next((drive.facts.rotational for drive in bench.members), None),
            debt_before_bytes=debt_bytes,
            buffer_s=asked.demand.buffer_s if asked.demand else asked.buffer_s,
        )
    except ValueError:  # it gave way or failed before anything was written
        evidence = None
    if asked.demand is None:
        return Judged(result=result, evidence=evidence, fit=None)
    in_use = InUse(path_key=result.path.key(), file_system=bench.volume.facts.file_system)
    judged = fit(evidence, asked.demand, in_use=in_use)
    # What was shown to go on for good needs no rest before it, so a debt takes nothing from it.
    if debt_bytes and judged.from_rest.kind is not MinutesKind.UNLIMITED:
        judged = fit(evidence, asked.demand, in_use=replace(in_use, debt_bytes=debt_bytes))
    return Judged(result=result, evidence=evidence, fit=judged)
