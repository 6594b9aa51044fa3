"""Reads a drive's names from `/sys` and udev's database, without touching the drive."""

import re
from pathlib import Path

from ebbmark_agent.drives.linux.tree import Tree
from ebbmark_agent.drives.names import clean, hex_name, true_serial, wwn
from ebbmark_agent.report import Bus, DriveIdentity, IdentityConfidence

_UDEV_ESCAPE = re.compile(r"\\x([0-9a-fA-F]{2})")
_VPD_HEADER_BYTES = 4


def udev_facts(tree: Tree, device_number: str | None) -> dict[str, str]:
    """Give what udev keeps of a block device, empty where udev does not run.

    Args:
        tree: where the kernel's files are.
        device_number: the device's `major:minor`.
    """
    text = tree.text(tree.at("/run/udev/data") / f"b{device_number}") or ""
    pairs = (line[2:].partition("=") for line in text.splitlines() if line.startswith("E:"))
    return {key: value for key, _, value in pairs}


def identity_seen(tree: Tree, folder: Path, *, bus: Bus) -> DriveIdentity:
    """Give the identity as the operating system shows it.

    Args:
        tree: where the kernel's files are.
        folder: the drive's folder in `/sys/block`.
        bus: how the drive is reached.

    Returns:
        Over USB the names are the bridge's unless udev asked the drive itself through it; a memory card in
        its own slot, an NVMe, SATA or SAS drive speaks for itself.
    """
    device = folder / "device"
    udev = udev_facts(tree, tree.text(folder / "dev"))
    if bus is Bus.NVME:
        return _nvme(tree, folder, device)
    if bus is Bus.MMC:
        return _card(tree, device)
    model = _model(tree, device, udev)
    firmware = clean(udev.get("ID_REVISION") or tree.text(device / "rev"))
    if bus is Bus.USB and udev.get("ID_ATA") != "1":
        return _reader(tree, folder, udev, model=model, firmware=firmware)
    serial = true_serial(
        udev.get("ID_SCSI_SERIAL")
        or udev.get("ID_SERIAL_SHORT")
        or _page_80(device / "vpd_pg80")
        or tree.text(folder / "serial")
    )
    name = wwn(udev.get("ID_WWN_WITH_EXTENSION") or udev.get("ID_WWN") or tree.text(device / "wwid"))
    return DriveIdentity(
        confidence=IdentityConfidence.OWN if serial or name else IdentityConfidence.NONE,
        wwn=name,
        serial=serial,
        model=model,
        firmware=firmware,
    )


def _nvme(tree: Tree, folder: Path, device: Path) -> DriveIdentity:
    serial = true_serial(tree.text(device / "serial"))
    wwid = tree.text(folder / "wwid") or ""
    eui64 = hex_name(tree.text(folder / "eui"), digits=16) or (
        hex_name(wwid, digits=16) if wwid.startswith("eui.") else None
    )
    nguid = hex_name(tree.text(folder / "nguid"), digits=32) or (
        hex_name(wwid, digits=32) if wwid.startswith("eui.") else None
    )
    return DriveIdentity(
        confidence=IdentityConfidence.OWN if serial or eui64 or nguid else IdentityConfidence.NONE,
        eui64=eui64,
        nguid=nguid,
        serial=serial,
        model=clean(tree.text(device / "model")),
        firmware=clean(tree.text(device / "firmware_rev")),
    )


def _card(tree: Tree, device: Path) -> DriveIdentity:
    # The card identification register is the card's own: maker, name, revision, serial and date.
    serial = true_serial(tree.text(device / "cid"))
    return DriveIdentity(
        confidence=IdentityConfidence.OWN if serial else IdentityConfidence.NONE,
        serial=serial,
        model=clean(tree.text(device / "name")),
        firmware=clean(tree.text(device / "fwrev")),
    )


def _reader(
    tree: Tree, folder: Path, udev: dict[str, str], *, model: str | None, firmware: str | None
) -> DriveIdentity:
    bridge = next((part for part in tree.ancestry(folder) if (part / "idVendor").exists()), None)
    serial = true_serial(
        udev.get("ID_SERIAL_SHORT") or (tree.text(bridge / "serial") if bridge is not None else None)
    )
    return DriveIdentity(
        confidence=IdentityConfidence.READER if serial else IdentityConfidence.NONE,
        serial=serial,
        model=model,
        firmware=firmware,
    )


def _model(tree: Tree, device: Path, udev: dict[str, str]) -> str | None:
    encoded = udev.get("ID_MODEL_ENC")
    if encoded:
        return clean(_UDEV_ESCAPE.sub(lambda found: chr(int(found.group(1), 16)), encoded))
    vendor, model = clean(tree.text(device / "vendor")), clean(tree.text(device / "model"))
    if vendor and model and vendor not in {"ATA", "NVMe"} and not vendor.startswith("0x"):
        return f"{vendor} {model}"
    return model


def _page_80(path: Path) -> str | None:
    # SCSI vital product data page 80h, unit serial number: four bytes of header, then text (SPC-4, 7.8.15).
    try:
        page = path.read_bytes()
    except OSError:
        return None
    if len(page) < _VPD_HEADER_BYTES or page[1] != 0x80:
        return None
    length = int.from_bytes(page[2:4], "big")
    return page[_VPD_HEADER_BYTES : _VPD_HEADER_BYTES + length].decode("ascii", errors="replace").strip()
