"""Reads the health of drives whose reading is due, never of one that is being probed."""

from ebbmark_agent.consent import due_at
from ebbmark_agent.cycle.state import Running
from ebbmark_agent.drives import Drive, with_names
from ebbmark_agent.health import examine
from ebbmark_agent.report import HealthBody, HealthState, Subject

EVERY_S = 86_400.0  # [s] without orders
AGAIN_S = 3_600.0  # [s] a drive that was asleep or did not answer is asked again this much later
PASSING = frozenset({HealthState.ASLEEP, HealthState.TIMED_OUT, HealthState.COMMAND_FAILED})


def read_due_health(running: Running) -> int:
    """Read the health of every drive whose reading is due.

    Args:
        running: The agent.

    Returns:
        How many drives were read [1].
    """
    count = 0
    for drive in running.inventory.with_health:
        if running.stopping.is_set():
            break
        if drive.kernel_name not in running.probed and _due(running, drive):
            read_one(running, drive)
            count += 1
    return count


def _due(running: Running, drive: Drive) -> bool:
    held = running.readings.get(drive.ref)
    every_s = running.orders.health_every_s if running.orders else EVERY_S
    if held is not None and held.state in PASSING:
        every_s = min(every_s, AGAIN_S)
    now = running.clock.utc()
    last = running.memory.last_done(f"health:{drive.key}")
    if held is None and last is not None:
        return True  # after a start, what the drive says is needed before anything can be decided
    due = due_at(
        last,
        every_s=every_s,
        now=now,
        started_at=running.started_at,
        phase=0.0,
    )
    return now >= due


def read_one(running: Running, drive: Drive) -> Drive:
    """Read one drive's health, learn its names and say the reading.

    Args:
        running: The agent.
        drive: The drive.

    Returns:
        The drive with the names it gave.
    """
    now = running.clock.utc()
    # Behind a bridge, the way that answered last is asked first: else each read starts several processes.
    known = running.device_types.pop(drive.insertion, None) or drive.smart_type
    found = examine(drive, now=now, runner=running.runner, device_type=known)
    # A sleeping drive keeps its way: finding one out anew could wake it.
    kept = known if found.reading.state is HealthState.ASLEEP else found.device_type
    if drive.over_usb and kept is not None:
        running.device_types[drive.insertion] = kept
    running.readings[drive.ref] = found.reading
    running.inventory = with_names(
        running.inventory, {drive.ref: drive.named(found.identity, rotation_rpm=found.rotation_rpm)}
    )
    named = running.inventory.drive(drive.ref) or drive
    subject = Subject(ref=named.ref, identity=named.facts.identity)
    running.keeper.say(HealthBody(subject=subject, reading=found.reading), now=now)
    running.memory.done(f"health:{named.key}", at=now)
    return named
