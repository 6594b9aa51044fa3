"""What a probe by hand is judged with besides its own trace: what earlier probes left to tidy up."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from ebbmark_agent.bench import Asked, Bench, judge, owed_before
from ebbmark_agent.database import AgentDatabase
from ebbmark_agent.definitions import demand_named
from ebbmark_agent.drives import Drive, Inventory, Volume
from ebbmark_agent.evidence import ReasonCode, Standing
from ebbmark_agent.memory import Memory, Spent
from ebbmark_agent.report import (
    Bus,
    DriveFacts,
    DriveIdentity,
    FileLayout,
    IdentityConfidence,
    MappingCertainty,
    PathFacts,
    ProbeKind,
    ProbeOutcome,
    ProbeResult,
    TraceDocument,
    VolumeFacts,
)

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
GB = 10**9
PATH = PathFacts(bus=Bus.NVME)


def drive(serial: str) -> Drive:
    """An invented drive."""
    identity = DriveIdentity(confidence=IdentityConfidence.OWN, serial=serial)
    facts = DriveFacts(ref=serial, identity=identity, path=PATH, capacity_bytes=20 * GB)
    return Drive(facts=facts, device=f"/dev/{serial}", smart_node=f"/dev/{serial}")


def probed() -> ProbeResult:
    """A whole pass over an invented medium at 200 MB/s."""
    return ProbeResult(
        probe_id="now",
        kind=ProbeKind.SOAK,
        started_at=NOW,
        duration_s=100.0,
        outcome=ProbeOutcome.COMPLETED,
        bytes_written=20 * GB,
        block_bytes=8_000_000,
        layout=FileLayout.PREALLOCATED,
        file_system="ext4",
        path=PATH,
        trace=(TraceDocument(step_us=(40_000,) * 300, step_bytes=(8_000_000,) * 300),),
        read_back_ok=True,
        fill_start=0.0,
        fill_end=0.12,
    )


def remembering(folder: Path, *, hours_ago: float, discarded: bool = False, key: str = "serial::a") -> Memory:
    """A memory of one probe of 3 GB and of the probe at hand."""
    memory = Memory(AgentDatabase(folder / "agent.db"))
    for probe_id, at, size, done in (
        ("before", NOW - timedelta(hours=hours_ago), 3 * GB, discarded),
        ("now", NOW, 20 * GB, False),
    ):
        spent = Spent(probe_id=probe_id, at=at, kind="spot", written_bytes=size, by_hand=True, discarded=done)
        memory.reserve(probe_id=probe_id, drive_keys=[key], spent=spent)
    return memory


def test_what_an_hour_ago_was_written_is_owed(tmp_path: Path) -> None:
    """An earlier probe without a proven discard is a debt; the probe at hand is none to itself."""
    memory = remembering(tmp_path, hours_ago=1)

    assert owed_before(probed(), memory, (drive("a"), drive("b"))) == 3 * GB


def test_a_proven_discard_owes_nothing(tmp_path: Path) -> None:
    """Blocks that the drive was shown to know as free are no debt."""
    assert owed_before(probed(), remembering(tmp_path, hours_ago=1, discarded=True), (drive("a"),)) == 0


def test_after_a_nights_rest_nothing_is_owed(tmp_path: Path) -> None:
    """A drive that rested for more than six hours is taken as rested."""
    assert owed_before(probed(), remembering(tmp_path, hours_ago=7), (drive("a"),)) == 0


def test_a_debt_holds_a_fit_back_at_the_bench() -> None:
    """What is owed from before makes fast enough unproven, with that as the reason and the bytes in it."""
    volume = Volume(
        facts=VolumeFacts(
            volume_id="v",
            file_system="ext4",
            size_bytes=20 * GB,
            free_bytes=20 * GB,
            read_only=False,
            certainty=MappingCertainty.CERTAIN,
            member_refs=("a",),
        ),
        mount_point="/mnt/v",
        device="/dev/a",
    )
    bench = Bench(volume=volume, inventory=Inventory(drives=(drive("a"),)), readings={})
    asked = Asked(path=Path("/mnt/v"), kind=ProbeKind.SOAK, demand=demand_named("50MB/s", take_s=5.0))
    rested = judge(asked, probed(), bench=bench)
    owing = judge(asked, probed(), bench=bench, debt_bytes=1 * GB)

    assert rested.fit is not None
    assert owing.fit is not None
    assert owing.evidence is not None
    assert owing.evidence.debt_before_bytes == 1 * GB
    assert rested.fit.standing is Standing.FIT
    assert owing.fit.standing is Standing.UNPROVEN
    assert owing.fit.reasons[0].code is ReasonCode.DEBT
