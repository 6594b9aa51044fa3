"""What leaves the machine, and what stays."""

from datetime import UTC, datetime

import pytest
from ebbmark_agent.drives import Drive, Inventory, Volume
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
    Refusal,
    VolumeFacts,
    WriteFault,
)
from ebbmark_agent.reports import findings_of, inventory_body, refusals_let_out, subject_of
from ebbmark_agent.settings import PrivacySettings

CLOSED = PrivacySettings()
OPEN = PrivacySettings(send_labels=True, send_paths=True, send_process_names=True)


def drive(ref: str) -> Drive:
    """Make an invented drive."""
    identity = DriveIdentity(confidence=IdentityConfidence.OWN, serial=f"INVENTED-{ref}", model="Invented")
    facts = DriveFacts(ref=ref, identity=identity, path=PathFacts(bus=Bus.SATA))
    return Drive(facts=facts, device=f"/dev/{ref}", smart_node=f"/dev/{ref}")


def volume(*members: str) -> Volume:
    """Make an invented volume with a telling label and mount."""
    facts = VolumeFacts(
        volume_id="uuid/1 2",
        file_system="ext4",
        size_bytes=10**12,
        free_bytes=10**11,
        read_only=False,
        certainty=MappingCertainty.CERTAIN,
        member_refs=members,
        label="SECRET-TITLE",
        mount="/media/SECRET-TITLE",
        note="It lies beneath /media/SECRET-TITLE too.",
    )
    return Volume(facts=facts, mount_point="/media/SECRET-TITLE", device="/dev/md0")


def result(**fields: object) -> ProbeResult:
    """Make a probe's result."""
    return ProbeResult(
        probe_id="p1",
        kind=ProbeKind.SPOT,
        started_at=datetime(2026, 3, 10, tzinfo=UTC),
        duration_s=1.0,
        outcome=ProbeOutcome.COMPLETED,
        bytes_written=1,
        block_bytes=1,
        layout=FileLayout.APPENDED,
        file_system="ext4",
        path=PathFacts(bus=Bus.SATA),
        trace=(),
    ).model_copy(update=fields)


def test_an_inventory_keeps_titles_at_home() -> None:
    """Unless switched on, neither label nor mount nor a path in a note or remark leaves."""
    inventory = Inventory(
        drives=(drive("sda"),), volumes=(volume("sda"),), remarks=("/media/SECRET-TITLE is on LVM.",)
    )

    def text(privacy: PrivacySettings) -> str:
        return inventory_body(
            inventory, host_name="h", system="s", writes_allowed=False, privacy=privacy
        ).model_dump_json()

    assert "SECRET-TITLE" not in text(CLOSED)
    assert "(a path) is on LVM." in text(CLOSED)
    assert text(OPEN).count("SECRET-TITLE") == 4


@pytest.mark.parametrize(
    ("refusal", "says"),
    [
        (Refusal(code="capture_process", sentence="taker-of-shows runs."), "A program that means capture"),
        (Refusal(code="hold", sentence="Nothing probes until 6: SECRET-TITLE"), "A hold is in force."),
        (Refusal(code="too_full", sentence="/media/SECRET-TITLE has 1 GB free."), "(a path) has 1 GB free."),
        (Refusal(code="too_hot", sentence="Invented (/dev/sda) is at 61 C."), "Invented (/dev/sda) is at"),
    ],
)
def test_refusals_keep_names_at_home(refusal: Refusal, says: str) -> None:
    """Program names, reasons of holds and paths are taken out of refusals; device names stay."""
    (out,) = refusals_let_out([refusal], CLOSED)

    assert says in out.sentence
    assert "SECRET" not in out.sentence
    assert "taker" not in out.sentence


def test_one_drive_is_the_subject_and_an_array_is_its_own() -> None:
    """With one drive beneath the drive is spoken of; with several the volume is, naming its members."""
    inventory = Inventory(drives=(drive("sda"), drive("sdb")))
    alone = subject_of(volume("sda"), inventory)
    array = subject_of(volume("sda", "sdb"), inventory)

    assert (alone.ref, alone.identity.serial, alone.members) == ("sda", "INVENTED-sda", ())
    assert array.ref == "uuid-1-2"
    assert array.identity.names() == ()
    assert [member.serial for member in array.members] == ["INVENTED-sda", "INVENTED-sdb"]


def test_what_a_probe_found_becomes_findings() -> None:
    """A refused write, a wrong read-back and space that did not return are findings of their own."""
    subject = subject_of(volume("sda"), Inventory(drives=(drive("sda"),)))
    fault = WriteFault(operation="write", errno_name="EIO", at_byte=5, sentence="It failed.")
    found = findings_of(
        result(fault=fault, read_back_ok=False, read_back_bad_at_byte=4096, space_returned=False), subject
    )

    assert [one.finding.code for one in found] == ["write_fault", "read_back_wrong", "space_not_returned"]
    assert found[0].finding.fault == fault
    assert findings_of(result(read_back_ok=True, space_returned=True), subject) == ()
