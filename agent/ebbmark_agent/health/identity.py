"""Takes a drive's names from smartctl's answer: through most bridges they are the drive's own."""

from ebbmark_agent.health.document import Document
from ebbmark_agent.report import DriveIdentity, IdentityConfidence

_OWN_PROTOCOLS = frozenset({"ata", "nvme"})
_PROTOCOLS = _OWN_PROTOCOLS | {"scsi"}
_MAX_NAME = 256


def protocol_of(document: Document) -> str | None:
    """Give the protocol smartctl spoke with the drive: ata, nvme or scsi, None for any other."""
    said = (document.text("device", "protocol") or "").lower()
    return said if said in _PROTOCOLS else None


def identity_in(document: Document, *, over_usb: bool = False) -> DriveIdentity | None:
    """Read the identity out of smartctl's JSON.

    Args:
        document: smartctl's JSON.
        over_usb: the drive hangs on USB; what a SCSI inquiry tells there is the bridge's name.

    Returns:
        The identity, None if smartctl told neither a serial nor another name.
    """
    serial = _name(document.text("serial_number"))
    wwn = _wwn(document)
    eui64, nguid = _namespace_names(document)
    model = document.text("model_name") or document.text("scsi_model_name") or document.text("scsi_product")
    if not (serial or wwn or eui64 or nguid):
        return None
    own = protocol_of(document) in _OWN_PROTOCOLS or not over_usb
    return DriveIdentity(
        confidence=IdentityConfidence.OWN if own else IdentityConfidence.READER,
        wwn=wwn,
        eui64=eui64,
        nguid=nguid,
        serial=serial,
        model=_name(model),
        firmware=_name(document.text("firmware_version") or document.text("scsi_revision")),
    )


def _name(text: str | None) -> str | None:
    return (text[:_MAX_NAME].strip() or None) if text else None


def _part(document: Document, *keys: str, bits: int) -> int | None:
    """Give a part of a name, None where it is wider than its place in it."""
    value = document.number(*keys)
    return value if value is not None and 0 <= value < 1 << bits else None


def _wwn(document: Document) -> str | None:
    naa, oui = _part(document, "wwn", "naa", bits=4), _part(document, "wwn", "oui", bits=24)
    unique = _part(document, "wwn", "id", bits=36)
    if naa is not None and oui is not None and unique is not None:
        # NAA type 5: 4 bits of type, 24 of IEEE OUI, 36 of the maker's number.
        return f"0x{(naa << 60) | (oui << 36) | unique:016x}"
    unit = document.text("logical_unit_id")
    if unit is None:
        return None
    digits = unit.lower().removeprefix("0x")
    # Only the registered types name a unit world-wide; locally assigned ones (type 3) do not.
    return f"0x{digits}" if digits[:1] in {"2", "5", "6"} and len(digits) in {16, 32} else None


def _namespace_names(document: Document) -> tuple[str | None, str | None]:
    for namespace in document.rows("nvme_namespaces"):
        oui = _part(namespace, "eui64", "oui", bits=24)
        extension = _part(namespace, "eui64", "ext_id", bits=40)
        nguid = _name(namespace.text("nguid"))
        if oui is not None and extension is not None and (oui or extension):
            return f"{oui:06x}{extension:010x}", nguid
        if nguid:
            return None, nguid
    return None, None
