"""What a running agent probes, what it leaves alone, and what it keeps of it; on a stand-in drive."""

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.cycle import Running, clear_leftovers, probe_if_due, say_status
from ebbmark_agent.platforms import PROBE_FOLDER
from ebbmark_agent.probe_lock import only_probe
from ebbmark_agent.report import (
    HealthReading,
    HealthState,
    Hold,
    ProbeKind,
    ProbeOrder,
    ProbeOutcome,
    Report,
    StatusBody,
)

from tests.rigs.curve import Curve
from tests.rigs.loop_drive import LoopDrive, loop_drive
from tests.rigs.probing_agent import (
    agent_in,
    give_role,
    interrupted,
    only_this_machine,
    probed,
    probes_kept,
    until_quiet,
    volume_on,
    watch,
)


@pytest.fixture
def drive(rig: None) -> Iterator[LoopDrive]:
    """A stand-in drive of 200 MB/s."""
    with loop_drive(Curve.flat(200_000_000), size_bytes=1 << 30) as stand_in:
        yield stand_in


def ready(folder: Path, drive: LoopDrive, **order: Any) -> Running:
    """Make an agent with a due spot on a drive it has watched long enough."""
    running = agent_in(folder, quiet_s=0.2)
    give_role(running, drive.mount, **{"spot_bytes": 100_000_000, **order})
    only_this_machine(running, drive.mount)
    if isinstance(drive, LoopDrive):
        until_quiet(drive)
    watch(running)
    return running


def refused_codes(running: Running) -> set[str]:
    """Give the codes of the last refusals."""
    return {one.code for _, refused in running.refused.values() for one in refused}


@pytest.mark.rig
def test_a_due_spot_runs_once_and_is_paid_for(drive: LoopDrive, tmp_path: Path) -> None:
    """A due spot runs, is reported, costs what it wrote, and is not due again."""
    running = ready(tmp_path, drive)
    result = probed(running, drive)
    watch(running)
    (member,) = running.inventory.members(volume_on(running, drive.mount))

    assert result.outcome is ProbeOutcome.COMPLETED, result.gave_way_to
    assert probe_if_due(running) is None
    assert [one.probe_id for one in probes_kept(running)] == [result.probe_id]
    assert [one.written_bytes for one in running.memory.spendings(member.key)] == [result.bytes_written]


@pytest.mark.rig
def test_a_removable_medium_gets_no_byte_from_any_rule(drive: LoopDrive, tmp_path: Path) -> None:
    """With every automatic rule, a cached soak order and a full set of permissions: zero bytes written."""
    running = ready(tmp_path, drive, soak_every_s=3600.0)
    (drive.mount / "DCIM").mkdir()
    os.sync()
    member = running.inventory.drives[0]
    card = replace(member, facts=member.facts.model_copy(update={"removable": True}))
    running.inventory = replace(running.inventory, drives=(card,))
    now = running.clock.utc()
    assert running.orders is not None
    soak = ProbeOrder(
        order_id="soak-it",
        drive_names=member.facts.identity.names(),
        kind=ProbeKind.SOAK,
        not_before=now - timedelta(hours=1),
        ends_at=now + timedelta(hours=8),
        max_bytes=10**12,
    )
    running.orders = running.orders.model_copy(update={"probes": (soak,)})
    threading.Event().wait(1.0)
    watch(running)
    names_before = sorted(path.name for path in drive.mount.iterdir())
    before = drive.counters()[1]
    for _ in range(3):
        probe_if_due(running)

    assert drive.counters()[1] == before
    assert sorted(path.name for path in drive.mount.iterdir()) == names_before
    assert "removable_medium" in refused_codes(running)
    assert running.memory.carried_out() == frozenset()


@pytest.mark.rig
def test_an_ordered_probe_runs_once_across_restarts(drive: LoopDrive, tmp_path: Path) -> None:
    """An ordered probe is carried out once, also when the agent is started again with the same orders."""
    running = ready(tmp_path, drive, spot_every_s=1e9)
    assert running.orders is not None
    now = running.clock.utc()
    member = running.inventory.drives[0]
    running.memory.done(f"spot:{member.key}", at=now)
    order = ProbeOrder(
        order_id="o-1",
        drive_names=member.facts.identity.names(),
        kind=ProbeKind.SPOT,
        not_before=now - timedelta(minutes=1),
        ends_at=now + timedelta(hours=8),
        max_bytes=60_000_000,
    )
    running.orders = running.orders.model_copy(update={"probes": (order,)})
    first = probed(running, drive)
    again = agent_in(tmp_path, quiet_s=0.2, rest_after_probe_s=0.001)
    again.orders, again.inventory = running.orders, running.inventory
    watch(again)

    assert first.bytes_written <= 60_000_000
    assert probe_if_due(again) is None


@pytest.mark.rig
def test_a_running_probe_gives_way_to_the_on_air_switch(drive: LoopDrive, tmp_path: Path) -> None:
    """Setting the switch ends the running probe, which is kept as having given way and tried again later."""
    running = ready(tmp_path, drive, spot_bytes=600_000_000)
    result = interrupted(running, drive, lambda: running.switches.set_on_air(on=True))
    watch(running)

    assert result.outcome is ProbeOutcome.GAVE_WAY
    assert result.gave_way_to == "The on-air switch was set."
    assert probe_if_due(running) is None


@pytest.mark.rig
def test_a_hold_from_the_collector_ends_a_running_probe(drive: LoopDrive, tmp_path: Path) -> None:
    """A hold that arrives in new orders while a probe runs ends it."""
    running = ready(tmp_path, drive, spot_bytes=600_000_000)

    def order_hold() -> None:
        now = running.clock.utc()
        hold = Hold(hold_id="h1", starts_at=now, ends_at=now + timedelta(hours=3), reason="Show.")
        assert running.orders is not None
        running.orders = running.orders.model_copy(update={"holds": (hold,)})

    result = interrupted(running, drive, order_hold)

    assert result.gave_way_to == "A hold began."


@pytest.mark.rig
def test_a_take_next_door_stops_a_probe_and_starts_none(drive: LoopDrive, tmp_path: Path) -> None:
    """On one upstream, writing to disk A ends a probe of disk B, and none starts while A is in use."""
    with loop_drive(Curve.flat(200_000_000), size_bytes=256 << 20) as other:
        running = ready(tmp_path, drive, spot_bytes=600_000_000)
        beside = agent_in(tmp_path / "scan", quiet_s=0.2)
        give_role(beside, other.mount)
        neighbour = next(one for one in beside.inventory.drives if one.kernel_name == other.name)
        target = running.inventory.drives[0]
        assert neighbour.facts.path.upstream == target.facts.path.upstream
        running.inventory = replace(running.inventory, drives=(target, neighbour))

        stopped = interrupted(
            running,
            drive,
            lambda: _write_direct(other.mount / "clip", megabytes=24),
            beside=other,
        )
        running.memory.undone(f"spot:{target.key}")
        running.lookout.look()
        _write_direct(other.mount / "clip", megabytes=8)
        running.lookout.look()
        started = probe_if_due(running)

    assert stopped.outcome is ProbeOutcome.GAVE_WAY
    assert other.name in (stopped.gave_way_to or "")
    assert started is None


def _write_direct(path: Path, *, megabytes: int) -> None:
    subprocess.run(
        ["dd", "if=/dev/zero", f"of={path}", "bs=1M", f"count={megabytes}", "oflag=direct"],
        check=True,
        capture_output=True,
    )


@pytest.mark.rig
def test_one_probe_at_a_time_on_a_machine(drive: LoopDrive, tmp_path: Path) -> None:
    """While another process of this machine's agent holds the probe lock, nothing starts."""
    running = ready(tmp_path, drive)
    before = drive.counters()[1]
    with only_probe(tmp_path):
        assert probe_if_due(running) is None

    assert drive.counters()[1] == before
    assert probed(running, drive).bytes_written > 0


@pytest.mark.rig
def test_a_failing_drive_is_only_read(drive: LoopDrive, tmp_path: Path) -> None:
    """A drive whose last reading counts media errors gets no write."""
    running = ready(tmp_path, drive)
    member = running.inventory.drives[0]
    running.readings[member.ref] = HealthReading(
        read_at=running.clock.utc(), state=HealthState.READ, sentence="Read.", media_errors=3
    )
    before = drive.counters()[1]

    assert probe_if_due(running) is None
    assert drive.counters()[1] == before
    assert refused_codes(running) == {"failing_drive"}


KILLED = """
import sys
from pathlib import Path
sys.path.insert(0, {root!r})
from tests.agent.cycle.test_cycle_probing import ready
from ebbmark_agent.cycle import probe_if_due
class Drive:
    mount = Path({mount!r})
running = ready(Path({state!r}), Drive(), spot_bytes=500_000_000)
print("ready", flush=True)
probe_if_due(running)
"""


@pytest.mark.rig
def test_a_killed_probe_is_paid_for_and_leaves_nothing(drive: LoopDrive, tmp_path: Path) -> None:
    """After SIGKILL in mid-write the planned cost stands in the ledger and no file is left."""
    code = KILLED.format(root=str(Path.cwd()), mount=str(drive.mount), state=str(tmp_path))
    until_quiet(drive)
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    child.stdout.readline()
    before = drive.counters()[1]
    while drive.counters()[1] - before < 60_000_000 and child.poll() is None:
        threading.Event().wait(0.01)
    ended_by_itself = child.poll() is not None
    child.kill()
    told, _ = child.communicate()
    assert not ended_by_itself, told

    again = agent_in(tmp_path)
    give_role(again, drive.mount)
    (member,) = again.inventory.members(volume_on(again, drive.mount))
    assert [one.written_bytes for one in again.memory.spendings(member.key)] == [499_998_720]
    assert [path.name for path in drive.mount.iterdir()] == ["lost+found"]


@pytest.mark.rig
def test_the_status_tells_refusals_and_cost(drive: LoopDrive, tmp_path: Path) -> None:
    """A status carries the last refusals with their codes, the bytes probed and since when none was safe."""
    running = ready(tmp_path, drive)
    probed(running, drive)
    running.memory.undone(f"spot:{running.inventory.drives[0].key}")
    running.switches.set_on_air(on=True)
    watch(running)
    probe_if_due(running)
    say_status(running)
    body = Report.model_validate_json(running.spool.next_batch(most=99, most_bytes=10**8)[-1].body).body

    assert isinstance(body, StatusBody)
    (consent,) = body.consents
    assert body.on_air
    assert {one.code for one in consent.refusals} >= {"on_air"}
    assert consent.probed_bytes_365_days > 90_000_000
    assert consent.no_safe_moment_since is not None


@pytest.mark.rig
def test_what_a_killed_probe_left_is_gone_after_the_next_start(drive: LoopDrive, tmp_path: Path) -> None:
    """A left probe file is removed at the start and told as a finding; other files stay."""
    running = ready(tmp_path, drive)
    folder = drive.mount / PROBE_FOLDER
    folder.mkdir(mode=0o700)
    (folder / "probe-left").write_bytes(b"x" * 4096)
    (drive.mount / "take.mov").write_bytes(b"x")

    assert clear_leftovers(running) == 1
    assert sorted(path.name for path in drive.mount.iterdir()) == ["lost+found", "take.mov"]
    findings = [one for one in running.spool.next_batch(most=99, most_bytes=10**8) if one.kind == "finding"]
    assert "leftover_removed" in findings[0].body


@pytest.mark.rig
def test_leftovers_on_a_card_are_not_touched(drive: LoopDrive, tmp_path: Path) -> None:
    """On a removable medium not even a leftover is removed by itself."""
    running = ready(tmp_path, drive)
    folder = drive.mount / PROBE_FOLDER
    folder.mkdir(mode=0o700)
    (folder / "probe-left").write_bytes(b"x")
    member = running.inventory.drives[0]
    card = replace(member, facts=member.facts.model_copy(update={"removable": True}))
    running.inventory = replace(running.inventory, drives=(card,))

    assert clear_leftovers(running) == 0
    assert (folder / "probe-left").exists()
