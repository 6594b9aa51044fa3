"""One drive's whole story as it was dealt: its build, its work, and the trouble that awaits it, if any."""

from dataclasses import dataclass, field
from enum import StrEnum

from sample_fleet.physics.build import Build
from sample_fleet.physics.recorder import Duty


class Trouble(StrEnum):
    """What goes wrong with a drive; the truth names these as causes."""

    NONE = "none"
    WORN = "worn"
    FULL = "full"
    UNTRIMMED = "untrimmed"
    HOT = "hot"
    CABLE = "cable"
    SICK = "sick"
    CACHE_TOO_SMALL = "cache_too_small"


@dataclass(frozen=True, kw_only=True)
class Course:
    """When a trouble begins and how fast it goes.

    Args:
        trouble: Its kind.
        onset_day: First day of it [d].
        pace: Kind-dependent speed: per day for fill and dust [1/d], days from onset to the end for cables
            and sick media [d], days for the known free space to shrink by e [d], unused when worn.
        visible_in_health: Whether the drive's own counters ever tell of it.
        end_link_bytes_per_s: What a bad cable leaves of the link [bytes/s].
    """

    trouble: Trouble = Trouble.NONE
    onset_day: float = 1e9
    pace: float = 1.0
    visible_in_health: bool = True
    end_link_bytes_per_s: float = 4e9


@dataclass(frozen=True, kw_only=True)
class Filling:
    """How full the volume is: projects come and go in a saw-tooth.

    Args:
        low: Used share after an offload [1].
        high: Used share before it [1].
        period_days: Time from offload to offload [d].
        phase_days: Where in it the first day lies [d].
    """

    low: float
    high: float
    period_days: float
    phase_days: float

    def share(self, day: float) -> float:
        """Give the used share on a day [1]."""
        return self.low + (self.high - self.low) * (((day + self.phase_days) / self.period_days) % 1.0)


@dataclass(frozen=True, kw_only=True)
class Nature:
    """Everything that fixes a drive's fate, apart from the small daily chances.

    Args:
        key: Name of the drive in the truth and in its random streams.
        build: The constants of its physics.
        duty: What it must record; `None` for a drive without such a role.
        link_bytes_per_s: The link at its best [bytes/s].
        course: Its trouble.
        filling: Its fill over time.
        written_per_day: Bytes written in ordinary work [bytes/d].
        wear_at_start: Wear on the first day [1].
        amplification: Flash bytes written for each byte of the host's [1].
        ambient_c: Usual air around it [degC].
        season_c: How far summer and winter lie from that [K].
        detour: Days from and until which it hangs on a slower port, and that port's link [d, d, bytes/s].
        trims: Whether the drive is told of freed space before any trouble.
        harmless_reallocated: A small, steady count of replaced sectors [1].
        harmless_crc: Single transfer errors over the year that mean nothing [1].
    """

    key: str
    build: Build
    duty: Duty | None
    link_bytes_per_s: float
    filling: Filling
    course: Course = field(default_factory=Course)
    written_per_day: float = 60e9
    wear_at_start: float = 0.05
    amplification: float = 1.6
    ambient_c: float = 22.0
    season_c: float = 2.5
    detour: tuple[int, int, float] | None = None
    trims: bool = True
    harmless_reallocated: int = 0
    harmless_crc: int = 0
