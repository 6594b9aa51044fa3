"""A take survives an agent that tries to probe all through: on a real file system, in its own process."""

import random
import threading
from pathlib import Path

import pytest
from ebbmark_agent.cycle import Running
from ebbmark_agent.report import ProbeOutcome

from tests.rigs.curve import Curve
from tests.rigs.loop_drive import LoopDrive, loop_drive
from tests.rigs.probing import probe_drive
from tests.rigs.probing_agent import (
    Rounds,
    agent_in,
    fast_clock,
    give_role,
    only_this_machine,
    probes_kept,
)
from tests.rigs.recorder import recorder
from tests.rigs.waiting import Beside, until

FRAMES_PER_S = 25.0
FRAME_BYTES = 3_686_400  # [bytes] 92 MB/s at 25 frames: UHD at a visually lossless rate
DRIVE_BYTES_PER_S = int(1.3 * FRAME_BYTES * FRAMES_PER_S)
BUFFER_S = 0.5
TAKES = 50
REST_EVERY = 10  # [1] takes; then the recorder rests for as long as a whole probe needs


def written_within(drive: LoopDrive, seconds: float) -> int:
    """Give what the kernel counts as written within the next moment [bytes]."""
    before = drive.counters()[1]
    threading.Event().wait(seconds)
    return drive.counters()[1] - before


def wait_for_a_whole_probe(running: Running, rounds: Rounds) -> None:
    """Leave the drive alone until one more probe has run from start to end."""
    before = len(probes_kept(running))
    until(
        lambda: any(one.outcome is ProbeOutcome.COMPLETED for one in probes_kept(running)[before:]),
        within_s=60,
        what="a probe completes while nothing is recorded",
        told=lambda: said_of(running, rounds),
        every_s=0.1,
    )


def said_of(running: Running, rounds: Rounds) -> str:
    """Give what the agent last said, for the message of a wait in vain."""
    refused = [one.sentence for _, found in running.refused.values() for one in found]
    ended = [one.gave_way_to or one.outcome for one in probes_kept(running)[-3:]]
    return f"failures {rounds.failures}, refused {refused}, last probes {ended}"


@pytest.mark.rig
@pytest.mark.proof
@pytest.mark.timeout(600)
def test_no_take_loses_a_frame_while_the_agent_tries_to_probe(rig: None, tmp_path: Path) -> None:
    """Fifty takes begin while a probe is writing; none loses a frame, and between them probes complete."""
    dice = random.Random(20_260_310)
    with loop_drive(Curve.flat(DRIVE_BYTES_PER_S), size_bytes=2 << 30) as drive:
        # A day lasts a second, so that cadence and rest after a probe pass; disks are watched in real time.
        running = agent_in(tmp_path, clock=fast_clock(s_per_s=86_400.0), quiet_s=0.3)
        give_role(running, drive.mount, spot_bytes=300_000_000)
        only_this_machine(running, drive.mount)

        def writing() -> bool:
            return bool(running.probed) and written_within(drive, 0.02) > 500_000

        takes = []
        between = 0  # [1] gaps between two takes in which a whole probe ran
        clip = drive.mount / "clip"
        with (
            recorder(clip, frame_bytes=FRAME_BYTES, frames_per_s=FRAMES_PER_S, buffer_s=BUFFER_S) as films,
            Rounds(running) as rounds,
        ):
            for number in range(TAKES):
                if number % REST_EVERY == REST_EVERY - 1:
                    wait_for_a_whole_probe(running, rounds)
                    between += 1
                until(
                    writing,
                    within_s=30,
                    what=f"a probe writes before take {number}",
                    told=lambda: said_of(running, rounds),
                )
                threading.Event().wait(dice.uniform(0.0, 0.4))
                until(
                    writing,
                    within_s=30,
                    what=f"a probe writes when take {number} begins",
                    told=lambda: said_of(running, rounds),
                )
                takes.append(films.take(frames=dice.randint(15, 40)))
            wait_for_a_whole_probe(running, rounds)
        kept = probes_kept(running)

    gave_way = [one for one in kept if one.outcome is ProbeOutcome.GAVE_WAY]
    print(
        f"{len(takes)} takes, longest wait of a frame {max(one.longest_s for one in takes):.3f} s, "
        f"{len(gave_way)} probes gave way, {len(kept) - len(gave_way)} completed, "
        f"after {between} of the gaps between takes a whole one had run"
    )
    assert rounds.failures == []
    assert [one.lost for one in takes] == [0] * TAKES
    assert len(gave_way) >= TAKES
    assert between == TAKES // REST_EVERY


@pytest.mark.rig
@pytest.mark.proof
def test_without_the_guard_takes_lose_frames(rig: None) -> None:
    """The same takes beside a probe that watches nothing lose frames, so the proof above can fail."""
    with loop_drive(Curve.flat(DRIVE_BYTES_PER_S), size_bytes=2 << 30) as drive:
        clip = drive.mount / "clip"
        with recorder(clip, frame_bytes=FRAME_BYTES, frames_per_s=FRAMES_PER_S, buffer_s=BUFFER_S) as films:
            probe = Beside(
                lambda: probe_drive(drive, max_bytes=1_000_000_000, running={"watch": None}, read_back=False)
            ).begin()
            until(lambda: written_within(drive, 0.05) > 1_000_000, within_s=20, what="the probe writes")
            took = films.take(frames=100)
            probe.end()

    assert took.lost > 0
