"""What a drive is made of on its first day: the constants of its physics, for flash and for disks alike.

A drive takes bytes into a cache at `cache_rate` while the cache has room, and at its direct rate after that.
For a plain disk the cache is nothing and the direct rate is the rate of the zone under the heads.
"""

from dataclasses import dataclass
from enum import StrEnum


class Medium(StrEnum):
    """What holds the bytes."""

    FLASH = "flash"
    DISK = "disk"
    SHINGLED = "shingled"


@dataclass(frozen=True, kw_only=True)
class Heat:
    """A first-order thermal body: watts in, degrees out, and a controller that slows down when hot.

    Args:
        idle_w: Power at rest [W].
        joule_per_byte: Energy of one byte written [J].
        resistance_c_per_w: Degrees above ambient a watt makes when settled [K/W].
        time_constant_s: Time to cover 63 % of a change [s].
        throttle_c: Temperature at which the controller begins to slow down [degC].
        band_c: Span over which it slows down to a tenth [K].
    """

    idle_w: float
    joule_per_byte: float
    resistance_c_per_w: float
    time_constant_s: float
    throttle_c: float
    band_c: float = 10.0


@dataclass(frozen=True, kw_only=True)
class Build:
    """The constants of one drive.

    Args:
        medium: What holds the bytes.
        capacity_bytes: Size of the medium [bytes].
        cache_rate: Rate into the cache, or of the outermost zone [bytes/s].
        direct_rate: Rate past the cache when new, empty and cool, or of the innermost zone [bytes/s].
        static_cache_bytes: Cache that is there at any fill [bytes].
        free_cache_share: Further cache as a share of the free space the drive knows of [1].
        clean_share: Rate at which an idle drive empties its cache, as a share of the direct rate [1].
        spare_share: Space beyond the user's, as a share of the capacity [1].
        crowding: How strongly a lack of free blocks slows the direct rate [1].
        wear_knee: Wear, as a share of rated endurance, from which the direct rate falls [1].
        wear_slope: Natural logarithm of the slow-down per unit of wear past the knee [1].
        endurance_bytes: Rated endurance [bytes]; `None` for disks.
        retention_slope: Loss of read rate of data a year old [1].
        spin_up_s: Wait before a sleeping disk takes its first byte [s].
        heat: The thermal body; `None` where heat never slows the drive.
    """

    medium: Medium
    capacity_bytes: int
    cache_rate: float
    direct_rate: float
    static_cache_bytes: float = 0.0
    free_cache_share: float = 0.0
    clean_share: float = 0.0
    spare_share: float = 0.08
    crowding: float = 0.6
    wear_knee: float = 1.0
    wear_slope: float = 0.0
    endurance_bytes: float | None = None
    retention_slope: float = 0.0
    spin_up_s: float = 0.0
    heat: Heat | None = None
