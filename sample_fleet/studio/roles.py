"""The studio's roles: what each must record, with which buffer and headroom, and how often it is probed."""

from dataclasses import dataclass

from sample_fleet.physics.recorder import Duty


@dataclass(frozen=True, kw_only=True)
class StudioRole:
    """A role as the studio wrote it down.

    Args:
        name: Its name in the collector.
        recorder: Whether a dip loses footage.
        duty: The rate, buffer, headroom and take.
        soak_every_days: Days between soaks [d].
        spot_bytes: What a spot writes [bytes].
        wear_share_a_year: Share of the rated endurance that probes may use in a year [1].
    """

    name: str
    recorder: bool
    duty: Duty
    soak_every_days: int
    spot_bytes: int = 1_000_000_000
    wear_share_a_year: float = 0.02

    @property
    def take_s(self) -> float:
        """Give the length of the longest take [s]."""
        return self.duty.take_bytes / self.duty.rate_bytes_per_s


def _role(
    name: str, rate_mb_s: float, buffer_s: float, take_s: float, soak_days: int, *, recorder: bool = True
) -> StudioRole:
    rate = rate_mb_s * 1e6
    return StudioRole(
        name=name,
        recorder=recorder,
        duty=Duty(rate_bytes_per_s=rate, buffer_s=buffer_s, take_bytes=rate * take_s),
        soak_every_days=soak_days,
    )


CAPTURE_UHD = _role("capture-uhd", 221.0, 1.0, 3600, 30)  # one stream, 1768 Mb/s
CAPTURE_MULTI = _role("capture-multi", 110.0, 2.0, 3600, 30)  # four streams of 220 Mb/s
EDIT_CACHE = _role("edit-cache", 147.0, 4.0, 900, 45, recorder=False)
REPLAY_DISK = _role("replay-disk", 55.0, 2.0, 3600, 45)  # two streams of 220 Mb/s
SHUTTLE = _role("shuttle", 221.0, 1.0, 1800, 365)
CARD = _role("camera-card", 92.0, 1.0, 1800, 365)
ARCHIVE = _role("archive-copy", 60.0, 30.0, 3600, 365, recorder=False)

ROLES = (CAPTURE_UHD, CAPTURE_MULTI, EDIT_CACHE, REPLAY_DISK, SHUTTLE, CARD, ARCHIVE)
