"""Links: what a path can carry after coding, and whether a plateau says more of the link than of the drive.

Rules.

1. A link's payload ceiling is its line rate less its line coding. Protocol takes more; how much differs by
   kind of link, hence the practical bands (common practice, no source).
2. A last plateau that is flat and inside the band of the link in use says nothing of the drive: it is
   `path limited`. What the drive carries below it stays shown.
3. Two probes are compared only where they went over like paths.
"""

from dataclasses import dataclass

from ebbmark_agent.evidence.probe_evidence import Path
from ebbmark_agent.evidence.probe_words import Bus

EIGHT_IN_TEN = 8 / 10  # [1] 8b/10b line coding
FLAT_SPREAD = 0.03  # [1] a plateau steadier than this may be the link's own

Band = tuple[float, float]  # [1] shares of the payload ceiling

# Common practice, no source: what steady transfers over a link come to in use.
SATA_BAND: Band = (0.88, 1.0)
USB_UAS_BAND: Band = (0.78, 1.0)
USB_PLAIN_BAND: Band = (0.40, 0.55)
PCIE_BAND: Band = (0.70, 1.0)
_EDGE = 0.005  # [1] a measured rate may pass the computed ceiling by this much and still be the link's


def sata_ceiling_bytes_per_s(line_gbit_per_s: float) -> float:
    """Give what a SATA or SAS link carries [bytes/s].

    Args:
        line_gbit_per_s: 1.5, 3, 6 or 12 [Gb/s].

    Source:
        Serial ATA Revision 3.x, 8b/10b line coding.
    """
    return line_gbit_per_s * 1e9 * EIGHT_IN_TEN / 8


def usb_ceiling_bytes_per_s(line_mbit_per_s: float) -> float:
    """Give what a USB link carries [bytes/s].

    Args:
        line_mbit_per_s: Signalling rate of all lanes together, as the system tells it: 480, 5000, 10000 or
            20000 [Mb/s].

    Notes:
        10 Gb/s made of two 5 Gb/s lanes carries 1000 MB/s, not 1212; systems tell both alike, and the higher
        is used, so a plateau there is told apart less sharply.

    Source:
        USB 3.2 Specification: 8b/10b at 5 Gb/s a lane, 128b/132b at 10 Gb/s a lane; USB 2.0 has no
        line coding that costs payload.
    """
    if line_mbit_per_s <= 480:
        coded = 1.0
    elif line_mbit_per_s <= 5000:
        coded = EIGHT_IN_TEN
    else:
        coded = 128 / 132
    return line_mbit_per_s * 1e6 * coded / 8


def pcie_ceiling_bytes_per_s(lane_gtransfer_per_s: float, width: int) -> float:
    """Give what a PCIe link carries [bytes/s].

    Args:
        lane_gtransfer_per_s: 2.5, 5, 8, 16 or 32 [GT/s].
        width: Lanes in use [1].

    Source:
        PCI Express Base Specification: 8b/10b up to 5 GT/s, 128b/130b from 8 GT/s.
    """
    coded = EIGHT_IN_TEN if lane_gtransfer_per_s <= 5 else 128 / 130
    return lane_gtransfer_per_s * 1e9 * coded / 8 * width


@dataclass(frozen=True, kw_only=True)
class PathCeiling:
    """What a path carries at most.

    Attributes:
        name: The link in words.
        payload_bytes_per_s: Line rate after coding [bytes/s].
        bands: Where steady transfers over it come to lie [bytes/s], low and high.
        below_best: The link runs slower than drive and port could.
        best_bytes_per_s: What it would carry at its best [bytes/s]; None: not known.
    """

    name: str
    payload_bytes_per_s: float
    bands: tuple[Band, ...]
    below_best: bool = False
    best_bytes_per_s: float | None = None

    def holds(self, rate_bytes_per_s: float, spread: float) -> bool:
        """Tell whether a plateau is the link's and says nothing of the drive.

        Args:
            rate_bytes_per_s: The plateau's mean [bytes/s].
            spread: Its robust spread as a share of the mean [1].
        """
        return spread <= FLAT_SPREAD and any(
            low <= rate_bytes_per_s <= high * (1 + _EDGE) for low, high in self.bands
        )


def path_ceiling(path: Path) -> PathCeiling | None:
    """Give what a path carries at most.

    Args:
        path: The path as the system told it.

    Returns:
        The ceiling, or None where the link is not known or is no link (a loop device, a virtual disk).
    """
    payload = path.link_now_bytes_per_s
    shares = _bands(path)
    if payload is None or payload <= 0 or not shares:
        return None
    best = path.link_best_bytes_per_s
    return PathCeiling(
        name=path_name(path),
        payload_bytes_per_s=payload,
        bands=tuple((low * payload, high * payload) for low, high in shares),
        below_best=best is not None and best > payload * (1 + _EDGE),
        best_bytes_per_s=best,
    )


def _bands(path: Path) -> tuple[Band, ...]:
    if path.bus in {Bus.SATA, Bus.SAS}:
        return (SATA_BAND,)
    if path.bus is Bus.NVME:
        return (PCIE_BAND,)
    if path.bus is not Bus.USB:
        return ()
    if path.uas is None:
        return (USB_PLAIN_BAND, USB_UAS_BAND)
    return (USB_UAS_BAND,) if path.uas else (USB_PLAIN_BAND,)


def path_name(path: Path) -> str:
    """Name a path for a sentence: `USB 10 Gb/s`, `SATA`, `a loop device`."""
    words = {
        Bus.NVME: "NVMe",
        Bus.SATA: "SATA",
        Bus.SAS: "SAS",
        Bus.USB: "USB",
        Bus.MMC: "a card slot",
        Bus.VIRTUAL: "a virtual disk",
        Bus.LOOP: "a loop device",
        Bus.UNKNOWN: "an unknown path",
    }
    bus = words[path.bus]
    if not path.link_now:
        return bus
    link = path.link_now
    return link if link.lower().startswith(bus.lower()) else f"{bus} {link}"
