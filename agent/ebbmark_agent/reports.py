"""Wraps what the agent has to say into reports, and holds back what the owner does not let out."""

import re
import uuid
from collections.abc import Iterable
from datetime import datetime

from ebbmark_agent.drives import Inventory, Volume
from ebbmark_agent.report import (
    Body,
    DriveIdentity,
    FindingBody,
    FindingFacts,
    IdentityConfidence,
    InventoryBody,
    ProbeResult,
    Refusal,
    Report,
    Subject,
    VolumeFacts,
)
from ebbmark_agent.settings import PrivacySettings

_NO_ID = re.compile(r"[^A-Za-z0-9_.:-]")


def report_of(body: Body, *, sequence: int, host_id: str, agent_version: str, made_at: datetime) -> Report:
    """Put a body into its envelope, under an id of its own.

    Args:
        body: What is said.
        sequence: Its number on this host [1].
        host_id: This machine at its collector.
        agent_version: The version of this program.
        made_at: The present instant.
    """
    return Report(
        report_id=uuid.uuid4().hex,
        host_id=host_id,
        agent_version=agent_version,
        made_at=made_at,
        sequence=sequence,
        body=body,
    )


def subject_of(volume: Volume, inventory: Inventory) -> Subject:
    """Give whom a report about a volume is about: its one drive, or the volume where there are several.

    Args:
        volume: The volume.
        inventory: The drives it lies on.
    """
    members = inventory.members(volume)
    if len(members) == 1:
        drive = members[0]
        return Subject(ref=drive.ref, identity=drive.facts.identity, volume_id=volume.facts.volume_id)
    identities = tuple(drive.facts.identity for drive in members)
    first = identities[0] if identities else _nobody()
    return Subject(
        ref=_NO_ID.sub("-", volume.facts.volume_id)[:64] or "volume",
        identity=first.model_copy(update={"confidence": _nobody().confidence}),
        volume_id=volume.facts.volume_id,
        members=identities,
    )


def findings_of(result: ProbeResult, subject: Subject) -> tuple[FindingBody, ...]:
    """Give what a probe found that must never be dropped.

    Args:
        result: The probe.
        subject: Whom it is about.
    """
    found: list[FindingFacts] = []
    if result.fault is not None:
        code = "write_fault" if result.fault.of_drive else "volume_filled"
        found.append(_finding(code, result.fault.sentence, result))
    if result.read_back_ok is False:
        at = result.read_back_bad_at_byte
        sentence = f"What was read back differs from what was written, first at byte {at}."
        found.append(_finding("read_back_wrong", sentence, result))
    if result.space_returned is False:
        sentence = "The probe's space did not come back after its file was gone: a snapshot may hold it."
        found.append(_finding("space_not_returned", sentence, result))
    return tuple(FindingBody(subject=subject, finding=one) for one in found)


def _finding(code: str, sentence: str, result: ProbeResult) -> FindingFacts:
    return FindingFacts(
        code=code,
        found_at=result.started_at,
        sentence=sentence,
        fault=result.fault if code in {"write_fault", "volume_filled"} else None,
        probe_id=result.probe_id,
    )


def inventory_body(
    inventory: Inventory, *, host_name: str, system: str, writes_allowed: bool, privacy: PrivacySettings
) -> InventoryBody:
    """Give the machine's inventory without what the owner does not let out.

    Args:
        inventory: The drives and volumes.
        host_name: How this machine is called.
        system: Its operating system.
        writes_allowed: Whether the owner lets probes write.
        privacy: What may leave.
    """
    return InventoryBody(
        host_name=host_name,
        system=system,
        # A disk behind a controller that has not told its names yet comes with its first reading.
        drives=tuple(
            drive.facts
            for drive in inventory.with_health
            if drive in inventory.drives or drive.facts.identity.names()
        ),
        volumes=tuple(_let_out(volume.facts, privacy) for volume in inventory.volumes),
        remarks=inventory.remarks if privacy.send_paths else tuple(map(_without_paths, inventory.remarks)),
        writes_allowed=writes_allowed,
    )


def _let_out(facts: VolumeFacts, privacy: PrivacySettings) -> VolumeFacts:
    return facts.model_copy(
        update={
            "label": facts.label if privacy.send_labels else None,
            "mount": facts.mount if privacy.send_paths else None,
            "note": facts.note if privacy.send_paths or facts.note is None else _without_paths(facts.note),
        }
    )


_PATH = re.compile(r"(?<![\w/])/(?!dev/)[^\s,;:()]+")


def _without_paths(sentence: str) -> str:
    return _PATH.sub("(a path)", sentence)


def refusals_let_out(refused: Iterable[Refusal], privacy: PrivacySettings) -> tuple[Refusal, ...]:
    """Give refusals in the words that may leave the machine.

    Args:
        refused: The refusals as people here see them.
        privacy: What may leave.
    """
    return tuple(_refusal_let_out(one, privacy) for one in refused)


def _refusal_let_out(one: Refusal, privacy: PrivacySettings) -> Refusal:
    if one.code == "capture_process" and not privacy.send_process_names:
        return one.model_copy(update={"sentence": "A program that means capture is running."})
    if one.code == "hold":
        # What people write as a reason often names a show; the collector knows its own holds' reasons.
        return one.model_copy(update={"sentence": "A hold is in force."})
    if not privacy.send_paths:
        return one.model_copy(update={"sentence": _without_paths(one.sentence)})
    return one


def _nobody() -> DriveIdentity:
    return DriveIdentity(confidence=IdentityConfidence.NONE)
