"""What the agent says about a drive: who it is, what path leads to it, which volumes lie on it."""

from enum import StrEnum
from functools import lru_cache

from pydantic import Field

from ebbmark_agent.evidence.probe_words import Bus
from ebbmark_agent.report._base import Counter, Id, Name, Rate, Sentence, WireModel


class IdentityConfidence(StrEnum):
    """Whose serial was seen: the drive's own, its reader's, or nobody's."""

    OWN = "own"
    READER = "reader"
    NONE = "none"


class DriveIdentity(WireModel):
    """The names a drive goes by; at least one own name is needed to follow it from machine to machine."""

    confidence: IdentityConfidence
    wwn: Name | None = None
    eui64: Name | None = None
    nguid: Name | None = None
    serial: Name | None = None
    model: Name | None = None
    firmware: Name | None = None

    def names(self) -> tuple[str, ...]:
        """Give the names that identify this drive anywhere, strongest first.

        Returns:
            `kind:value` names in lower case without blanks. Empty without an own identity: a reader's
            serial names the reader, not the medium in it.
        """
        if self.confidence is not IdentityConfidence.OWN:
            return ()
        return _names_of(self.wwn, self.eui64, self.nguid, self.serial, self.model)


@lru_cache(maxsize=4096)  # every report names its drive, the same few again and again
def _names_of(
    wwn: str | None, eui64: str | None, nguid: str | None, serial: str | None, model: str | None
) -> tuple[str, ...]:
    found = [
        f"{kind}:{''.join(value.lower().split())}"
        for kind, value in (("wwn", wwn), ("eui64", eui64), ("nguid", nguid))
        if value
    ]
    if serial:
        found.append(f"serial:{''.join((model or '').lower().split())}:{''.join(serial.lower().split())}")
    return tuple(found)


class PathFacts(WireModel):
    """The way a probe goes: bus, bridge and negotiated link. Rates are the link's payload ceiling."""

    bus: Bus
    bridge: Name | None = None
    uas: bool | None = None
    link_now: Name | None = None
    link_best: Name | None = None
    link_now_bytes_per_s: Rate | None = None
    link_best_bytes_per_s: Rate | None = None
    upstream: Name | None = Field(
        default=None, description="Names the hub, controller or root port shared with other drives."
    )

    def key(self) -> str:
        """Give a short name under which only like paths are compared."""
        return "/".join(
            (self.bus, self.bridge or "direct", "uas" if self.uas else "", self.link_now or "unknown-link")
        )


class MappingCertainty(StrEnum):
    """Whether the volume's bytes are known to lie on the drives named."""

    CERTAIN = "certain"
    UNCERTAIN = "uncertain"


class VolumeFacts(WireModel):
    """A file system and the drives beneath it. Label and mount leave the machine only if switched on."""

    volume_id: Name
    file_system: Name
    size_bytes: Counter
    free_bytes: Counter
    read_only: bool
    certainty: MappingCertainty
    member_refs: tuple[Id, ...] = Field(max_length=256)
    encrypted: bool = False
    network: bool = False
    note: Sentence | None = None
    label: Name | None = None
    mount: Name | None = None


class DriveFacts(WireModel):
    """One drive as this machine sees it now; `ref` names it inside this machine's reports only."""

    ref: Id
    identity: DriveIdentity
    path: PathFacts
    capacity_bytes: Counter | None = None
    rotational: bool | None = None
    rotation_rpm: Counter | None = None
    removable: bool = False
    system_drive: bool = False
    trim: bool | None = None
    note: Sentence | None = None
