"""The model lines the studio owns, all invented: what a new drive of each is made of before any spread."""

from dataclasses import dataclass
from enum import StrEnum

from sample_fleet.physics.build import Build, Heat, Medium

GB = 1e9
TB = 1e12
MB_S = 1e6


class Link(StrEnum):
    """The links of the studio's drives, best first within a bus."""

    NVME = "PCIe 3.0 x4"
    NVME_X1 = "PCIe 1.0 x1"
    SATA = "SATA 6 Gb/s"
    SATA_HALF = "SATA 3 Gb/s"
    SATA_SLOW = "SATA 1.5 Gb/s"
    USB = "USB 10 Gb/s"
    USB_HALF = "USB 5 Gb/s"
    USB_SLOW = "USB 480 Mb/s"


LINK_BYTES_PER_S = {  # payload after line coding [bytes/s]
    Link.NVME: 3938e6,
    Link.NVME_X1: 250e6,
    Link.SATA: 600e6,
    Link.SATA_HALF: 300e6,
    Link.SATA_SLOW: 150e6,
    Link.USB: 1212e6,
    Link.USB_HALF: 500e6,
    Link.USB_SLOW: 60e6,
}
WORST_LINK = {Link.NVME: Link.NVME_X1, Link.SATA: Link.SATA_SLOW, Link.USB: Link.USB_SLOW}


@dataclass(frozen=True, kw_only=True)
class Line:
    """A model line.

    Args:
        model: Its name on the label.
        firmwares: Releases in use, newest first.
        build: A typical drive of it.
        link: Its link at best.
        protocol: What its health speaks: `nvme` or `ata`.
        oui: First half of its world-wide names, from the range kept for documents.
    """

    model: str
    firmwares: tuple[str, ...]
    build: Build
    link: Link
    protocol: str
    oui: str


def _flash(
    capacity: float,
    cache_rate: float,
    direct_rate: float,
    *,
    static: float,
    free_share: float,
    life_tb: float,
    heat: Heat | None = None,
    spare: float = 0.08,
) -> Build:
    return Build(
        medium=Medium.FLASH,
        capacity_bytes=int(capacity),
        cache_rate=cache_rate * MB_S,
        direct_rate=direct_rate * MB_S,
        static_cache_bytes=static,
        free_cache_share=free_share,
        clean_share=0.5,
        spare_share=spare,
        endurance_bytes=life_tb * TB,
        heat=heat,
        retention_slope=0.12,
    )


def _disk(
    capacity: float, outer: float, inner: float, medium: Medium = Medium.DISK, cache: float = 0.0
) -> Build:
    return Build(
        medium=medium,
        capacity_bytes=int(capacity),
        cache_rate=outer * MB_S,
        direct_rate=inner * MB_S,
        static_cache_bytes=cache,
        clean_share=0.8,
        spin_up_s=6.0,
    )


_STICK = Heat(
    idle_w=2.0, joule_per_byte=6.5e-9, resistance_c_per_w=5.5, time_constant_s=150.0, throttle_c=78.0
)
_CASED = Heat(
    idle_w=1.2, joule_per_byte=5.0e-9, resistance_c_per_w=8.0, time_constant_s=240.0, throttle_c=72.0
)
_FIRM = ("4.11", "4.07")

ESKER = Line(
    model="Esker 4000",
    firmwares=_FIRM,
    link=Link.NVME,
    protocol="nvme",
    oui="00005e0a",
    build=_flash(4 * TB, 1700, 900, static=0.0, free_share=0.0, life_tb=5600, heat=_STICK, spare=0.12),
)
DRUMLIN = Line(
    model="Drumlin 2000",
    firmwares=("R21", "R19", "R18"),
    link=Link.NVME,
    protocol="nvme",
    oui="00005e0b",
    build=_flash(2 * TB, 2600, 600, static=8 * GB, free_share=0.10, life_tb=1200, heat=_STICK),
)
CORRIE = Line(
    model="Corrie S 2000",
    firmwares=("C3.2", "C3.0"),
    link=Link.SATA,
    protocol="ata",
    oui="00005e0c",
    build=_flash(2 * TB, 505, 430, static=2 * GB, free_share=0.0, life_tb=1800, spare=0.10),
)
SCREE = Line(
    model="Scree Q 4000",
    firmwares=("Q08",),
    link=Link.SATA,
    protocol="ata",
    oui="00005e0d",
    build=_flash(4 * TB, 500, 150, static=6 * GB, free_share=0.06, life_tb=900),
)
TARN = Line(
    model="Tarn X 2000",
    firmwares=("1.9.2", "1.8.0"),
    link=Link.USB,
    protocol="nvme",
    oui="00005e0e",
    build=_flash(2 * TB, 870, 520, static=6 * GB, free_share=0.05, life_tb=1200, heat=_CASED),
)
MORAINE = Line(
    model="Moraine 8T",
    firmwares=("M77", "M75"),
    link=Link.SATA,
    protocol="ata",
    oui="00005e0f",
    build=_disk(8 * TB, 255, 128),
)
BECK = Line(
    model="Beck 8T",
    firmwares=("B12",),
    link=Link.SATA,
    protocol="ata",
    oui="00005e10",
    build=_disk(8 * TB, 190, 34, Medium.SHINGLED, 30 * GB),
)
GHYLL = Line(
    model="Ghyll 512",
    firmwares=("G1",),
    link=Link.USB_HALF,
    protocol="ata",
    oui="00005e11",
    build=_flash(512 * GB, 360, 250, static=2 * GB, free_share=0.0, life_tb=200),
)
