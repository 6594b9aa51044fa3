"""What a running probe watches: the disks beneath it, their neighbours, the switches, the drive's heat."""

from collections.abc import Callable, Collection, Iterator, Mapping

from ebbmark_agent.clock import Clock
from ebbmark_agent.consent import NEIGHBOUR, ON_TARGET
from ebbmark_agent.consent import lively as lively_grant
from ebbmark_agent.drives import Drive, Inventory, Volume, temperature_c
from ebbmark_agent.health import JsonSmartctl, examine
from ebbmark_agent.moment import Scene, lively, recorder_host, subject_order
from ebbmark_agent.probe import CounterWatch, WatchedDisk
from ebbmark_agent.report import HealthReading


def watch_for(
    scene: Scene, *, volume: Volume, inventory: Inventory, lively_bytes_per_s: float
) -> CounterWatch:
    """Give the watch of a probe.

    Args:
        scene: Where answers come from.
        volume: The volume to probe.
        inventory: The drives and volumes of this machine.
        lively_bytes_per_s: Foreign I/O that is part of life on system and edit disks [bytes/s].

    Returns:
        The watch: foreign I/O on the volume's drives and, on a machine with a recorder role, on every drive
        that shares their upstream or whose upstream cannot be told; the switches and capture programs.
    """
    members = inventory.members(volume)
    order = subject_order(scene.orders, volume=volume, members=members)
    beneath = []
    if members:
        first, *others = (drive.kernel_name for drive in members)
        grant = lively_grant(lively_bytes_per_s) if lively(members, order) else ON_TARGET
        beneath = [
            WatchedDisk(name=first, and_with=tuple(others), own_copies=volume.copies_beneath, grant=grant)
        ]
    beside = []
    if recorder_host(scene.orders):
        beside = [
            WatchedDisk.neighbour(
                drive.kernel_name,
                lively_grant(lively_bytes_per_s) if drive.facts.system_drive else NEIGHBOUR,
            )
            for drive in _beside(members, inventory)
        ]
    return CounterWatch(
        platform=scene.platform, disks=(*beneath, *beside), also=(scene.lookout.reason_to_stop,)
    )


def _beside(members: tuple[Drive, ...], inventory: Inventory) -> Iterator[Drive]:
    """Drives that share an upstream or may; not those that a loop device's file lies on."""
    told = {drive.ref for drive in members} | {ref for drive in members for ref in drive.lies_on}
    for drive in members:
        for other in inventory.sharing_upstream(drive.ref):
            if other.ref not in told:
                told.add(other.ref)
                yield other


def thermometer(
    members: Collection[Drive], readings: Mapping[str, HealthReading], *, runner: JsonSmartctl, clock: Clock
) -> Callable[[], float | None] | None:
    """Give what reads the hottest drive's temperature, or None where none tells it.

    The kernel's own sensors go before smartctl, whose many commands would queue among a probe's writes.

    Args:
        members: The drives beneath the volume.
        readings: Their last health readings, by ref.
        runner: How smartctl is run.
        clock: The clocks.
    """
    sensed = [drive for drive in members if temperature_c(drive) is not None]
    if sensed:
        return lambda: max(
            (degrees for drive in sensed if (degrees := temperature_c(drive)) is not None), default=None
        )
    told = [
        (reading.temperature_c, drive)
        for drive in members
        if (reading := readings.get(drive.ref)) is not None and reading.temperature_c is not None
    ]
    if not told:
        return None
    hottest = max(told, key=lambda pair: pair[0])[1]
    return lambda: examine(hottest, now=clock.utc(), runner=runner).reading.temperature_c
