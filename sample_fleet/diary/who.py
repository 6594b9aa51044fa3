"""How a drive of the studio looks to a machine: identity, path, volume, as the wire vocabulary says them."""

from dataclasses import dataclass

from ebbmark_agent.report import (
    Bus,
    DriveFacts,
    DriveIdentity,
    IdentityConfidence,
    MappingCertainty,
    PathFacts,
    Subject,
    VolumeFacts,
)

from sample_fleet.physics.build import Medium
from sample_fleet.physics.condition import Condition
from sample_fleet.studio.invent import Drive, Presence
from sample_fleet.studio.lines import LINK_BYTES_PER_S, Link

_BUS = {"PCIe": Bus.NVME, "SATA": Bus.SATA, "USB ": Bus.USB}


@dataclass(frozen=True, kw_only=True)
class Reader:
    """The bridge a travelling drive is plugged into: its name, its best link, whether it speaks UAS."""

    name: str
    link: Link
    uas: bool


READERS = (
    Reader(name="Wharf A1", link=Link.USB, uas=True),
    Reader(name="Wharf B2", link=Link.USB, uas=True),
    Reader(name="Quay 5", link=Link.USB_HALF, uas=False),
)
BUILT_IN = Reader(name="Tarn case", link=Link.USB, uas=True)


def reader_on(drive: Drive, number: int) -> Reader | None:
    """Give the reader a drive is in on a day it is plugged in; `None` for one that is built in."""
    if drive.presence is Presence.FIXED:
        return None
    at = drive.seen_days.index(number)
    slow = (int(drive.asset_tag[3:]) + at) % 7 == 0
    return READERS[2] if slow else READERS[at % 2]


def identity_of(drive: Drive, reader: Reader | None = None) -> DriveIdentity:
    """Give the identity that gets through: the drive's own, or its reader's for a card."""
    if not drive.own_identity:
        place = reader or READERS[0]
        return DriveIdentity(
            confidence=IdentityConfidence.READER, serial=f"RD{place.name[-2:].strip()}0417", model=place.name
        )
    return DriveIdentity(
        confidence=IdentityConfidence.OWN,
        wwn=drive.wwn,
        serial=drive.serial,
        model=drive.line.model,
        firmware=drive.firmware,
    )


def subject_of(drive: Drive, reader: Reader | None = None) -> Subject:
    """Give the subject of a report about this drive."""
    return Subject(
        ref=drive.nature.key, identity=identity_of(drive, reader), volume_id=f"vol-{drive.asset_tag}"
    )


def path_of(drive: Drive, condition: Condition, reader: Reader | None = None) -> PathFacts:
    """Give the path as the machine sees it today, the link named by what it carries."""
    best = drive.line.link
    ceiling = condition.link_bytes_per_s
    if reader is not None:
        ceiling = min(ceiling, LINK_BYTES_PER_S[reader.link])
    now = next(
        link for link, rate in LINK_BYTES_PER_S.items() if link[:4] == best[:4] and rate <= ceiling * 1.001
    )
    bus = _BUS[best[:4]]
    bridge = reader or (BUILT_IN if bus is Bus.USB else None)
    return PathFacts(
        bus=bus,
        bridge=bridge.name if bridge else None,
        uas=bridge.uas if bridge else None,
        link_now=now,
        link_best=best,
        link_now_bytes_per_s=LINK_BYTES_PER_S[now],
        link_best_bytes_per_s=LINK_BYTES_PER_S[best],
        upstream="root-hub-1" if bus is Bus.USB else None,
    )


def drive_facts(drive: Drive, condition: Condition, reader: Reader | None = None) -> DriveFacts:
    """Give the inventory's line on this drive."""
    rotational = drive.line.build.medium is not Medium.FLASH
    return DriveFacts(
        ref=drive.nature.key,
        identity=identity_of(drive, reader),
        path=path_of(drive, condition, reader),
        capacity_bytes=drive.nature.build.capacity_bytes,
        rotational=rotational,
        rotation_rpm=7200 if rotational else None,
        removable=drive.presence is Presence.TRAVELS,
        trim=None if rotational else condition.known_free_share > 0.995,
    )


def volume_facts(drive: Drive, condition: Condition) -> VolumeFacts:
    """Give the inventory's line on its volume."""
    capacity = drive.nature.build.capacity_bytes
    return VolumeFacts(
        volume_id=f"vol-{drive.asset_tag}",
        file_system="exfat" if drive.presence is Presence.TRAVELS else "xfs",
        size_bytes=capacity,
        free_bytes=int(capacity * (1.0 - condition.fill)),
        read_only=False,
        certainty=MappingCertainty.CERTAIN,
        member_refs=(drive.nature.key,),
    )
