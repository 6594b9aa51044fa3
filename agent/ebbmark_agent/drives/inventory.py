"""What a scan gives: the drives of this machine, the volumes on them, and what could not be told."""

from dataclasses import dataclass, replace

from ebbmark_agent.report import (
    Bus,
    DriveFacts,
    DriveIdentity,
    IdentityConfidence,
    MappingCertainty,
    VolumeFacts,
)


@dataclass(frozen=True, kw_only=True)
class Drive:
    """One drive: what is reported of it, and what this machine needs to reach it.

    Attributes:
        facts: What is said of the drive in reports.
        device: The whole disk's device file, such as `/dev/sda`; its counters are the drive's.
        smart_node: The device's name for smartctl; for NVMe the controller, which some drives insist on.
        usb_vendor_id: The bridge's USB vendor id, if one stands between.
        backing_file: The file a loop device lies on; it stays on this machine.
        lies_on: Refs of the drives that hold a loop device's file; its bytes show in their counters too.
        place: Where the drive is plugged in; tells drives without a name of their own apart.
        medium_number: The kernel's running number of the medium; another number is another insertion.
        controller: The RAID controller that serves it, such as `host0`; None where there is none in between.
        smart_type: Smartctl's device type where the node alone does not reach it.
        serves: Of a disk behind a controller, the one drive it shows to the system; empty where not certain.
    """

    facts: DriveFacts
    device: str
    smart_node: str
    usb_vendor_id: str | None = None
    backing_file: str | None = None
    lies_on: tuple[str, ...] = ()
    place: str | None = None
    medium_number: int | None = None
    controller: str | None = None
    smart_type: str | None = None
    serves: tuple[str, ...] = ()

    @property
    def ref(self) -> str:
        """Give the drive's name inside this machine's reports."""
        return self.facts.ref

    @property
    def kernel_name(self) -> str:
        """Give the name the system counts the drive's traffic under, such as `sda`."""
        return self.device.removeprefix("/dev/").removeprefix("\\\\.\\")

    @property
    def display_name(self) -> str:
        """Give the name people know the drive by: model and serial where it has them, else its device."""
        identity = self.facts.identity
        told = " ".join(part for part in (identity.model, identity.serial) if part)
        return f"{told} ({self.device})" if told else self.device

    @property
    def may_sleep(self) -> bool:
        """Tell whether it may have disks that stand still: anything not known to be solid state."""
        return self.facts.rotational is not False and self.facts.path.bus not in {Bus.NVME, Bus.LOOP, Bus.MMC}

    @property
    def over_usb(self) -> bool:
        """Tell whether a USB bridge stands between."""
        return self.facts.path.bus is Bus.USB

    @property
    def key(self) -> str:
        """Give a name that lasts over restarts here: the drive's own, else where it is plugged in."""
        own = self.facts.identity.names()
        return own[0] if own else f"place:{self.place or self.ref}"

    @property
    def insertion(self) -> str:
        """Give a name for this very insertion of the medium: taken out and put back, it is another."""
        return f"{self.key}#{self.medium_number if self.medium_number is not None else 'unknown'}"

    def named(self, identity: DriveIdentity | None, *, rotation_rpm: int | None = None) -> "Drive":
        """Give this drive with what was read from it itself, as by smartctl.

        Args:
            identity: its names as it told them; the better of the two views is kept.
            rotation_rpm: how fast its disks turn [1/min], 0 for solid state, None if it did not say.
        """
        told: dict[str, object] = {"identity": better_identity(self.facts.identity, identity)}
        if rotation_rpm is not None:
            told |= {"rotational": rotation_rpm > 0, "rotation_rpm": rotation_rpm or None}
        return replace(self, facts=self.facts.model_copy(update=told))


@dataclass(frozen=True, kw_only=True)
class Volume:
    """One mounted file system: what is reported of it, and where it is mounted here.

    Attributes:
        facts: What is said of it in reports.
        mount_point: Where it is mounted.
        device: The device file it lies on.
        copies_beneath: How many bytes reach the drives beneath for each byte written [1]: 1 on a drive or a
            stripe, as many as there are copies in a mirror.
    """

    facts: VolumeFacts
    mount_point: str
    device: str
    copies_beneath: float = 1.0

    @classmethod
    def elsewhere(cls, mount_point: str, device: str) -> "Volume":
        """Give the volume of another machine that is mounted here: known by name, never probed."""
        return cls(
            facts=VolumeFacts(
                volume_id="elsewhere",
                file_system="unknown",
                size_bytes=0,
                free_bytes=0,
                read_only=False,
                certainty=MappingCertainty.UNCERTAIN,
                member_refs=(),
                network=True,
                note="another machine",
            ),
            mount_point=mount_point,
            device=device,
        )

    @property
    def probeable(self) -> bool:
        """Tell whether it is known which drives hold it, and that they are in this machine."""
        return self.facts.certainty is MappingCertainty.CERTAIN and not self.facts.network

    @property
    def array(self) -> bool:
        """Tell whether several drives hold it, so that the volume itself is judged."""
        return len(self.facts.member_refs) > 1


@dataclass(frozen=True, kw_only=True)
class Inventory:
    """The drives and volumes of one scan. `remarks` says once what is uncertain or out of scope.

    `behind` are disks behind RAID controllers: the system shows no such drive, only their health can be read.
    """

    drives: tuple[Drive, ...] = ()
    volumes: tuple[Volume, ...] = ()
    remarks: tuple[str, ...] = ()
    behind: tuple[Drive, ...] = ()

    @property
    def with_health(self) -> tuple[Drive, ...]:
        """Give every drive whose health can be read."""
        return (*self.drives, *self.behind)

    def beneath(self, volume: Volume) -> tuple[Drive, ...]:
        """Give the drives beneath a volume and the disks that are known to stand behind just those."""
        members = volume.facts.member_refs
        return (*self.members(volume), *(disk for disk in self.behind if set(disk.serves) & set(members)))

    def drive(self, ref: str) -> Drive | None:
        """Find a drive by its ref."""
        return next((drive for drive in self.with_health if drive.ref == ref), None)

    def members(self, volume: Volume) -> tuple[Drive, ...]:
        """Give the drives beneath a volume."""
        return tuple(found for ref in volume.facts.member_refs if (found := self.drive(ref)) is not None)

    def sharing_upstream(self, ref: str) -> tuple[Drive, ...]:
        """Give the other drives whose traffic may get in this one's way.

        Returns:
            Drives on the same hub, controller or root port; with an unknown upstream on either side also
            those, since nothing shows that they are apart.
        """
        own = self.drive(ref)
        if own is None:
            return ()
        upstream = own.facts.path.upstream
        return tuple(
            other
            for other in self.drives
            if other.ref != ref and (upstream is None or other.facts.path.upstream in {None, upstream})
        )


def better_identity(seen: DriveIdentity, told: DriveIdentity | None) -> DriveIdentity:
    """Join two views of one drive's identity.

    Args:
        seen: what the operating system shows.
        told: what smartctl read from the drive, if it could.

    Returns:
        The names of the view with more confidence, filled from the other only where both are the drive's
        own; a reader's serial never joins the drive's names.
    """
    if told is None or told.confidence is IdentityConfidence.NONE:
        return seen
    if told.confidence is not IdentityConfidence.OWN:
        return seen if seen.confidence is IdentityConfidence.OWN else told
    if seen.confidence is not IdentityConfidence.OWN:
        return told
    filled = {name: getattr(told, name) or getattr(seen, name) for name in _NAMES}
    return DriveIdentity(confidence=IdentityConfidence.OWN, **filled)


_NAMES = ("wwn", "eui64", "nguid", "serial", "model", "firmware")
