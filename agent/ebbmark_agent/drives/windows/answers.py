"""Unpacks what Windows' storage drivers answer to their documented control codes.

Source: the structures VOLUME_DISK_EXTENTS, STORAGE_DEVICE_DESCRIPTOR, DEVICE_SEEK_PENALTY_DESCRIPTOR,
DEVICE_TRIM_DESCRIPTOR and DISK_GEOMETRY_EX of the Windows SDK (winioctl.h), from memory.
"""

import re
import struct
from dataclasses import dataclass

from ebbmark_agent.drives.names import clean, hex_name, true_serial
from ebbmark_agent.report import Bus, DriveIdentity, IdentityConfidence

VOLUME_DISK_EXTENTS = 0x00560000
STORAGE_QUERY_PROPERTY = 0x002D1400
DISK_GEOMETRY_EX = 0x000700A0

DEVICE_PROPERTY = 0
SEEK_PENALTY_PROPERTY = 7
TRIM_PROPERTY = 8

_EXTENT_COUNT = struct.Struct("<I4x")
_EXTENT = struct.Struct("<I4xqq")
_DESCRIPTOR = struct.Struct("<IIBBBBIIIII")
_FLAG = struct.Struct("<IIB")
_GEOMETRY = struct.Struct("<qIIIIq")

STORAGE_SPACES = 16
_ISCSI = 9
_FIREWIRE = 4
# STORAGE_BUS_TYPE; Windows has further kinds, which stay unknown here.
_BUSES = {
    3: Bus.SATA,
    7: Bus.USB,
    10: Bus.SAS,
    11: Bus.SATA,
    12: Bus.MMC,
    13: Bus.MMC,
    14: Bus.VIRTUAL,
    15: Bus.VIRTUAL,
    17: Bus.NVME,
}
_READERS = frozenset({_FIREWIRE, 7, 12, 13})
# NVMe drives answer their EUI-64 or NGUID where others give a serial: groups of four digits and a full stop.
_EUI64 = re.compile(r"([0-9A-Fa-f]{4}_){3}[0-9A-Fa-f]{4}\.?")
_NGUID = re.compile(r"([0-9A-Fa-f]{4}_){7}[0-9A-Fa-f]{4}\.?")


@dataclass(frozen=True, kw_only=True)
class Descriptor:
    """What a disk says of itself."""

    identity: DriveIdentity
    bus: Bus
    bus_number: int
    removable: bool

    @property
    def over_network(self) -> bool:
        """Tell whether another machine serves the disk."""
        return self.bus_number == _ISCSI


def query(property_id: int) -> bytes:
    """Give the request for one property of a disk (STORAGE_PROPERTY_QUERY, standard query)."""
    return struct.pack("<III", property_id, 0, 0)


def disk_numbers(answer: bytes) -> tuple[int, ...]:
    """Give the numbers of the disks a volume's extents lie on."""
    if len(answer) < _EXTENT_COUNT.size:
        return ()
    (count,) = _EXTENT_COUNT.unpack_from(answer)
    places = range(_EXTENT_COUNT.size, len(answer) - _EXTENT.size + 1, _EXTENT.size)
    return tuple(dict.fromkeys(_EXTENT.unpack_from(answer, place)[0] for place in list(places)[:count]))


def descriptor(answer: bytes) -> Descriptor | None:
    """Give what a disk says of itself, None where the answer is too short to be one."""
    if len(answer) < _DESCRIPTOR.size:
        return None
    _, _, _, _, removable, _, vendor, product, revision, serial, bus_number = _DESCRIPTOR.unpack_from(answer)
    bus = _BUSES.get(bus_number, Bus.UNKNOWN)
    words = [_string(answer, vendor), _string(answer, product)]
    return Descriptor(
        identity=_identity(
            _string(answer, serial),
            by_reader=bus_number in _READERS,
            model=clean(" ".join(word for word in words if word)),
            firmware=_string(answer, revision),
        ),
        bus=bus,
        bus_number=bus_number,
        removable=bool(removable),
    )


def flag(answer: bytes) -> bool | None:
    """Give the truth value of a seek penalty or trim answer."""
    return bool(_FLAG.unpack_from(answer)[2]) if len(answer) >= _FLAG.size else None


def disk_size(answer: bytes) -> int | None:
    """Give a disk's size [bytes]."""
    size = int(_GEOMETRY.unpack_from(answer)[5]) if len(answer) >= _GEOMETRY.size else 0
    return size if size > 0 else None


def _string(answer: bytes, offset: int) -> str | None:
    if not 0 < offset < len(answer):
        return None
    return clean(answer[offset:].split(b"\0", 1)[0].decode("ascii", errors="replace"))


def _identity(text: str | None, *, by_reader: bool, model: str | None, firmware: str | None) -> DriveIdentity:
    eui64 = hex_name(text, digits=16) if text and _EUI64.fullmatch(text) else None
    nguid = hex_name(text, digits=32) if text and _NGUID.fullmatch(text) else None
    serial = None if eui64 or nguid else true_serial(text)
    confidence = IdentityConfidence.READER if by_reader else IdentityConfidence.OWN
    return DriveIdentity(
        confidence=confidence if serial or eui64 or nguid else IdentityConfidence.NONE,
        eui64=eui64,
        nguid=nguid,
        serial=serial,
        model=model,
        firmware=firmware,
    )
