"""Reads one drive's health and names from one smartctl process, JSON first and pySMART second."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from ebbmark_agent.evidence import sata_ceiling_bytes_per_s
from ebbmark_agent.health import ata, nvme, scsi
from ebbmark_agent.health._pysmart import parse_text
from ebbmark_agent.health.document import Document
from ebbmark_agent.health.fields import Fields
from ebbmark_agent.health.identity import identity_in, protocol_of
from ebbmark_agent.health.runner import JsonSmartctl, SmartctlRead
from ebbmark_agent.health.states import FAILING_BIT, sentence_for, state_of
from ebbmark_agent.report import DriveIdentity, HealthReading, HealthState, IdentityConfidence


class SmartDevice(Protocol):
    """What must be known of a drive to read its health; the inventory's drives are such."""

    @property
    def smart_node(self) -> str:
        """The device's name for smartctl, such as `/dev/sda` or the NVMe controller `/dev/nvme0`."""

    @property
    def display_name(self) -> str:
        """How people know the drive."""

    @property
    def may_sleep(self) -> bool:
        """Whether it has disks that may stand still and are not to be woken."""

    @property
    def over_usb(self) -> bool:
        """Whether a USB bridge stands between."""

    @property
    def usb_vendor_id(self) -> str | None:
        """The bridge's USB vendor id, four hexadecimal digits, if there is one."""


@dataclass(frozen=True, kw_only=True)
class LinkFacts:
    """The SATA link as the drive itself tells it; rates are the payload ceiling after coding."""

    now: str | None = None
    best: str | None = None
    now_bytes_per_s: float | None = None
    best_bytes_per_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Examination:
    """All that one smartctl process told of a drive."""

    reading: HealthReading
    identity: DriveIdentity | None
    rotation_rpm: int | None = None
    capacity_bytes: int | None = None
    trim: bool | None = None
    device_type: str | None = None
    link: LinkFacts = LinkFacts()


# Where smartctl does not know a bridge, these of its types are tried: its maker's own, then the standard's.
# Source: smartctl(8), option -d; the USB vendor ids are those of the bridge makers named in its types.
_TYPES_BY_USB_VENDOR = {"152d": "sntjmicron", "174c": "sntasmedia", "0bda": "sntrealtek"}
_STANDARD_TYPE = "sat"
_WILD_SPEED = 10**12  # neither factor of a link's speed comes near it


def examine(
    device: SmartDevice, *, now: datetime, runner: JsonSmartctl, device_type: str | None = None
) -> Examination:
    """Read a drive's health and names.

    Args:
        device: the drive.
        now: the instant of the reading.
        runner: how smartctl is run.
        device_type: smartctl's device type, where the owner names one or an earlier read found it.

    Returns:
        What the drive told; a drive that tells nothing, or is gone, is a state in the reading. One process
        is started, and further ones only behind a bridge that smartctl does not know.
    """

    def look(kind: str | None) -> Examination:
        read = runner.read(device.smart_node, device_type=kind, let_sleep=device.may_sleep)
        return interpret(read, now=now, drive=device.display_name, over_usb=device.over_usb, asked_type=kind)

    first = look(device_type)
    if first.reading.state is not HealthState.UNKNOWN_BRIDGE or device_type is not None:
        return first
    for kind in _types_behind(device.usb_vendor_id):
        found = look(kind)
        if found.reading.state is HealthState.READ:
            return found
    return first


def read_health(device: SmartDevice, *, now: datetime, runner: JsonSmartctl) -> HealthReading:
    """Read a drive's health: the reading of `examine`.

    Args:
        device: the drive.
        now: the instant of the reading.
        runner: how smartctl is run.
    """
    return examine(device, now=now, runner=runner).reading


def identity_of(device: SmartDevice, *, now: datetime, runner: JsonSmartctl) -> DriveIdentity | None:
    """Read a drive's own names: the identity of `examine`, None if smartctl cannot tell them.

    Args:
        device: the drive.
        now: the instant of the reading.
        runner: how smartctl is run.
    """
    return examine(device, now=now, runner=runner).identity


def interpret(
    read: SmartctlRead, *, now: datetime, drive: str, over_usb: bool = False, asked_type: str | None = None
) -> Examination:
    """Turn what one smartctl run gave into values, without touching anything.

    Args:
        read: what the run gave.
        now: the instant of the reading.
        drive: how people know the drive.
        over_usb: a USB bridge stands between.
        asked_type: the device type smartctl was asked to use, if any.
    """
    document = read.document
    protocol = protocol_of(document)
    fields = Fields()
    fields.assess(passed=document.flag("smart_status", "passed"), source="json:smart_status.passed")
    if protocol == "nvme":
        nvme.read_json(document, fields)
    elif protocol == "ata":
        ata.read_json(document, fields)
    elif protocol == "scsi":
        scsi.read_json(document, fields)
    device_type = read.device_type() or asked_type or _type_from_text(read.lines)
    opinion = _second_opinion(read, device_type, fields)
    if (read.bits or 0) & FAILING_BIT:
        fields.assess(passed=False, source="smartctl exit bit 3")
    state = state_of(read, told_health=not fields.empty())
    return Examination(
        reading=HealthReading(
            read_at=now,
            state=state,
            sentence=sentence_for(state, read, drive=drive),
            assessment=fields.assessment,
            protocol=protocol or opinion.protocol,
            critical_warnings=tuple(fields.warnings[:16]),
            exit_status=read.bits,
            sources=fields.sources,
            vendor=tuple(fields.vendor),
            **fields.values(),
        ),
        identity=identity_in(document, over_usb=over_usb) or opinion.identity(over_usb=over_usb),
        device_type=device_type if state is HealthState.READ else None,
        rotation_rpm=_within(document.number("rotation_rate"), 100_000),
        capacity_bytes=_within(document.number("user_capacity", "bytes"), 2**63 - 1),
        trim=document.flag("trim", "supported"),
        link=_link(document),
    )


@dataclass(frozen=True, kw_only=True)
class _Opinion:
    """Who the drive is by pySMART's reading of the text."""

    protocol: str | None = None
    serial: str | None = None
    model: str | None = None
    firmware: str | None = None

    def identity(self, *, over_usb: bool) -> DriveIdentity | None:
        if not self.serial:
            return None
        own = self.protocol in {"ata", "nvme"} or not over_usb
        return DriveIdentity(
            confidence=IdentityConfidence.OWN if own else IdentityConfidence.READER,
            serial=self.serial,
            model=self.model,
            firmware=self.firmware,
        )


_READERS: dict[str, tuple[str, Callable[[Any, Fields], None]]] = {
    "NvmeAttributes": ("nvme", nvme.read_pysmart),
    "AtaAttributes": ("ata", ata.read_pysmart),
    "SCSIAttributes": ("scsi", scsi.read_pysmart),
}
# WARN is pySMART's own word for an attribute that failed in the past; the drive itself says passed.
_PASSED = {"PASS": True, "WARN": True, "FAIL": False}


def _second_opinion(read: SmartctlRead, device_type: str | None, fields: Fields) -> _Opinion:
    device = parse_text(read.node, device_type, read.lines) if device_type else None
    if device is None:
        return _Opinion()
    protocol, fill = _READERS.get(type(device.if_attributes).__name__, (None, None))
    if fill is not None:
        fill(device, fields)
    fields.assess(passed=_PASSED.get(device.assessment), source="pysmart:assessment")
    return _Opinion(
        protocol=protocol,
        serial=device.serial or None,
        model=device.model or None,
        firmware=device.firmware or None,
    )


def _type_from_text(lines: tuple[str, ...]) -> str | None:
    # A smartctl without JSON does not name the type it chose; its headings give it away.
    text = "\n".join(lines)
    if "NVMe Log 0x02" in text:
        return "nvme"
    if "ATA Version is" in text:
        return "sat"
    return "scsi" if "SMART Health Status" in text else None


def _types_behind(usb_vendor_id: str | None) -> Iterator[str]:
    own = _TYPES_BY_USB_VENDOR.get((usb_vendor_id or "").lower())
    if own is not None:
        yield own
    yield _STANDARD_TYPE


def _link(document: Document) -> LinkFacts:
    now, best = document.part("interface_speed", "current"), document.part("interface_speed", "max")
    return LinkFacts(
        now=now.text("string"),
        best=best.text("string"),
        now_bytes_per_s=_payload(now),
        best_bytes_per_s=_payload(best),
    )


def _payload(speed: Document) -> float | None:
    units, bits = speed.number("units_per_second"), speed.number("bits_per_unit")
    if units is None or bits is None or not (0 < units < _WILD_SPEED and 0 < bits < _WILD_SPEED):
        return None
    return sata_ceiling_bytes_per_s(units * bits / 1e9)


def _within(value: int | None, most: int) -> int | None:
    return value if value is not None and 0 <= value <= most else None
