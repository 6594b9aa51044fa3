"""Reads the way to a drive from `/sys`: bus, bridge, negotiated link, and what it shares with others."""

import re
from dataclasses import dataclass
from pathlib import Path

from ebbmark_agent.drives.linux.tree import Tree
from ebbmark_agent.drives.names import clean
from ebbmark_agent.evidence import (
    pcie_ceiling_bytes_per_s,
    sata_ceiling_bytes_per_s,
    usb_ceiling_bytes_per_s,
)
from ebbmark_agent.report import Bus, PathFacts

_PCI = re.compile(r"[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]")
_ATA_PORT = re.compile(r"ata(\d+)")
_USB_PORT = re.compile(r"\d+-\d+(\.\d+)*")
_SCSI_ADDRESS = re.compile(r"\d+:(\d+:\d+:\d+)")
_PCIE_GENERATION = {2.5: 1, 5.0: 2, 8.0: 3, 16.0: 4, 32.0: 5}
_SCSI_HOST = re.compile(r"host\d+")
# Drivers whose disks may be volumes over several. Source: the names the Linux kernel's drivers give to
# /sys/class/scsi_host/host*/proc_name, from memory.
_RAID_DRIVERS = frozenset(
    {"3w-9xxx", "3w-sas", "aacraid", "arcmsr", "hpsa", "hptiop", "ips", "megaraid_sas", "smartpqi", "sssraid"}
)
_USB_NAMES = {
    12: "USB 12 Mb/s",
    480: "USB 480 Mb/s",
    5_000: "USB 5 Gb/s",
    10_000: "USB 10 Gb/s",
    20_000: "USB 20 Gb/s",
    40_000: "USB 40 Gb/s",
}


@dataclass(frozen=True, kw_only=True)
class Way:
    """The path facts for reports, and what stays on this machine."""

    facts: PathFacts
    place: str
    external: bool
    usb_vendor_id: str | None = None
    note: str | None = None


@dataclass(frozen=True, kw_only=True)
class _Link:
    name: str
    bytes_per_s: float


def way_to(tree: Tree, folder: Path, *, name: str) -> Way:
    """Describe the way to a whole drive.

    Args:
        tree: where the kernel's files are.
        folder: the drive's folder in `/sys/block`.
        name: its kernel name.
    """
    above = tree.ancestry(folder)
    bus = _bus(name, above)
    upstream = _upstream(above)
    place = _place(name, above)
    external = any(tree.text(part / "removable") == "removable" for part in above)
    if bus is Bus.USB:
        return _usb_way(tree, above, upstream=upstream, place=place)
    now: _Link | None = None
    best: _Link | None = None
    if bus is Bus.SATA:
        now, best = _sata_links(tree, above)
    elif bus is Bus.NVME:
        now, best = _pcie_links(tree, above)
    elif bus is Bus.SAS:
        now, best = _sas_links(tree, above)
    return Way(
        facts=_facts(bus, now=now, best=best, upstream=upstream),
        place=place,
        external=external or (bus is Bus.MMC and tree.text(folder / "device" / "type") == "SD"),
    )


def raid_controller(tree: Tree, folder: Path) -> str | None:
    """Give the SCSI host that serves a drive where it is a RAID controller's, such as `host0`.

    A disk that the controller hands through as it is, by the ATA translation or without a RAID level, is the
    drive itself.

    Args:
        tree: where the kernel's files are.
        folder: the drive's folder in `/sys/block`.
    """
    host = next((part.name for part in tree.ancestry(folder) if _SCSI_HOST.fullmatch(part.name)), None)
    if host is None or tree.text(tree.at("/sys/class/scsi_host") / host / "proc_name") not in _RAID_DRIVERS:
        return None
    device = folder / "device"
    handed_through = tree.text(device / "vendor") == "ATA" or tree.text(device / "raid_level") == "N/A"
    return None if handed_through else host


def _facts(bus: Bus, *, now: _Link | None, best: _Link | None, upstream: str | None) -> PathFacts:
    return PathFacts(
        bus=bus,
        link_now=now.name if now else None,
        link_best=best.name if best else None,
        link_now_bytes_per_s=now.bytes_per_s if now else None,
        link_best_bytes_per_s=best.bytes_per_s if best else None,
        upstream=upstream,
    )


def _bus(name: str, above: tuple[Path, ...]) -> Bus:
    parts = {part.name for part in above}
    if name.startswith("loop"):
        return Bus.LOOP
    if name.startswith("nvme"):
        return Bus.NVME
    if name.startswith("mmcblk"):
        return Bus.MMC
    if any(re.fullmatch(r"usb\d+", part) for part in parts):
        return Bus.USB
    if any(_ATA_PORT.fullmatch(part) for part in parts):
        return Bus.SATA
    if any(part.startswith("end_device-") for part in parts):
        return Bus.SAS
    if name.startswith(("vd", "xvd")) or any(
        re.fullmatch(r"(virtio|VMBUS:|vmbus)\S*", part) for part in parts
    ):
        return Bus.VIRTUAL
    return Bus.UNKNOWN


def _upstream(above: tuple[Path, ...]) -> str | None:
    # The outermost PCI function: the root port, or the controller itself where it sits in the root complex.
    outermost = [part.name for part in above if _PCI.fullmatch(part.name)]
    return f"pci-{outermost[-1]}" if outermost else None


def _place(name: str, above: tuple[Path, ...]) -> str:
    steps: list[str] = []
    for part in reversed(above):
        if _PCI.fullmatch(part.name) or _USB_PORT.fullmatch(part.name) or _ATA_PORT.fullmatch(part.name):
            steps.append(part.name)
        elif address := _SCSI_ADDRESS.fullmatch(part.name):
            steps.append(address.group(1))
    if name.startswith("nvme"):
        steps.append("n" + name.rpartition("n")[2])
    return "/".join(steps) if steps else name


def _sata_links(tree: Tree, above: tuple[Path, ...]) -> tuple[_Link | None, _Link | None]:
    for part in above:
        if port := _ATA_PORT.fullmatch(part.name):
            link = tree.at("/sys/class/ata_link") / f"link{port.group(1)}"
            return (
                _gigabits("SATA", tree.text(link / "sata_spd")),
                _gigabits("SATA", tree.text(link / "hw_sata_spd_limit")),
            )
    return None, None


def _sas_links(tree: Tree, above: tuple[Path, ...]) -> tuple[_Link | None, _Link | None]:
    for part in above:
        if not part.name.startswith("port-"):
            continue
        for phy in (name for name in tree.names(part) if name.startswith("phy-")):
            rates = part / phy / "sas_phy" / phy
            return (
                _gigabits("SAS", tree.text(rates / "negotiated_linkrate")),
                _gigabits("SAS", tree.text(rates / "maximum_linkrate")),
            )
    return None, None


def _gigabits(kind: str, text: str | None) -> _Link | None:
    found = re.match(r"(\d+(?:\.\d+)?)\s*G", text or "")
    if found is None:
        return None
    rate = float(found.group(1))
    return (
        _Link(name=f"{kind} {rate:g} Gb/s", bytes_per_s=sata_ceiling_bytes_per_s(rate))
        if rate <= 12
        else None
    )


def _pcie_links(tree: Tree, above: tuple[Path, ...]) -> tuple[_Link | None, _Link | None]:
    functions = [part for part in above if _PCI.fullmatch(part.name)]
    if not functions:
        return None, None
    drive = functions[0]
    now = _pcie(tree.text(drive / "current_link_speed"), tree.text(drive / "current_link_width"))
    # The best both ends of the link can do; the other end is the port right above.
    ends = [
        link
        for end in functions[:2]
        if (link := _pcie(tree.text(end / "max_link_speed"), tree.text(end / "max_link_width"))) is not None
    ]
    return now, min(ends, key=lambda link: link.bytes_per_s, default=None)


def _pcie(speed: str | None, width: str | None) -> _Link | None:
    found = re.match(r"(\d+(?:\.\d+)?) GT/s", speed or "")
    lanes = int(width) if width and width.isdecimal() else 0
    transfers = float(found.group(1)) if found else 0.0
    generation = _PCIE_GENERATION.get(transfers)
    if generation is None or not lanes:
        return None
    return _Link(name=f"PCIe {generation}.0 x{lanes}", bytes_per_s=pcie_ceiling_bytes_per_s(transfers, lanes))


def _usb_way(tree: Tree, above: tuple[Path, ...], *, upstream: str | None, place: str) -> Way:
    device = next((part for part in above if (part / "idVendor").exists()), None)
    if device is None:
        return Way(facts=PathFacts(bus=Bus.USB, upstream=upstream), place=place, external=True)
    vendor, product = tree.text(device / "idVendor"), tree.text(device / "idProduct")
    words = [tree.text(device / key) for key in ("manufacturer", "product")]
    bridge = clean(" ".join([word for word in words if word] + [f"({vendor}:{product})"]))
    link = _usb_link(tree.number(device / "speed"), tree.number(device / "rx_lanes"))
    drivers = {part.name: (part / "driver").resolve().name for part in above if (part / "driver").exists()}
    uas = "uas" in drivers.values()
    known_driver = uas or "usb-storage" in drivers.values()
    facts = _facts(Bus.USB, now=link, best=None, upstream=upstream).model_copy(
        update={"bridge": bridge, "uas": uas if known_driver else None}
    )
    return Way(
        facts=facts,
        place=place,
        external=tree.text(device / "removable") != "fixed",
        usb_vendor_id=vendor,
        note=_below_usb_3(tree, device),
    )


def _usb_link(speed_mbit: int | None, lanes: int | None) -> _Link | None:
    if speed_mbit is None or speed_mbit not in _USB_NAMES:
        return None
    if speed_mbit == 10_000 and lanes == 2:
        return _Link(name="USB 10 Gb/s (two lanes of 5)", bytes_per_s=2 * usb_ceiling_bytes_per_s(5_000))
    return _Link(name=_USB_NAMES[speed_mbit], bytes_per_s=usb_ceiling_bytes_per_s(speed_mbit))


def _below_usb_3(tree: Tree, device: Path) -> str | None:
    # A USB 3 device says version 2.10 when it has to run at 480 Mb/s (USB 3.2 specification, 9.6.1).
    if tree.number(device / "speed") == 480 and tree.text(device / "version") == "2.10":
        return (
            "It runs at USB 480 Mb/s but its descriptor looks like that of a faster device: "
            "try another port or cable."
        )
    return None
