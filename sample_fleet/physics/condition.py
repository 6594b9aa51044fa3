"""What has become of a drive on one day, and what its rates are in that condition."""

import math
from dataclasses import dataclass

from sample_fleet.physics.build import Build, Medium

_CROWDED_BELOW = 0.22  # [1] free share, spare included, below which blocks must be cleared while writing


@dataclass(frozen=True, kw_only=True)
class Condition:
    """A drive's state at one moment.

    Args:
        fill: Used share of the volume [1].
        known_free_share: Share of the free space that the drive was told is free [1].
        wear: Bytes written times their amplification, over the rated endurance [1].
        ambient_c: Air around the drive [degC].
        dust: Factor on the thermal resistance since the drive was clean [1].
        link_bytes_per_s: What the link carries [bytes/s].
        link_share: Share of the link left after repeated transfers [1].
        sickness: How far a failing medium has come; 0 is well, about 1 is lost [1].
        stalls_per_hour: Mean number of internal pauses while writing [1/h].
        stall_scale_s: Mean length of such a pause [s].
        cache_spent_share: Share of the cache not yet tidied from earlier writing [1].
        asleep: Whether a disk must spin up first.
        wander: Slow factor on all rates, such as vibration, file system age or room power [1].
    """

    fill: float
    known_free_share: float = 1.0
    wear: float = 0.0
    ambient_c: float = 22.0
    dust: float = 1.0
    link_bytes_per_s: float = 4e9
    link_share: float = 1.0
    sickness: float = 0.0
    stalls_per_hour: float = 0.0
    stall_scale_s: float = 0.0
    cache_spent_share: float = 0.0
    asleep: bool = False
    wander: float = 1.0


def cache_bytes(build: Build, condition: Condition) -> float:
    """Give the room in the cache when tidied [bytes]: what is left of free space bounds it."""
    if build.medium is Medium.DISK:
        return 0.0
    free = build.capacity_bytes * (1.0 - condition.fill) * condition.known_free_share
    return build.static_cache_bytes + build.free_cache_share * free


def sick_factor(condition: Condition) -> float:
    """Give the share of the rate left by repeated attempts inside a failing drive [1]."""
    return 1.0 / (1.0 + 0.25 * (math.exp(2.0 * condition.sickness) - 1.0))


def zone_rate(build: Build, fill: float) -> float:
    """Give a disk's rate at a fill [bytes/s]: linear from the outermost to the innermost track."""
    return build.cache_rate + (build.direct_rate - build.cache_rate) * min(max(fill, 0.0), 1.0)


def worn_factor(build: Build, condition: Condition) -> float:
    """Give the share of flash's direct rate that wear past the knee leaves [1]."""
    return math.exp(-build.wear_slope * max(0.0, condition.wear - build.wear_knee))


def crowding_factor(build: Build, condition: Condition, fill: float) -> float:
    """Give by how much flash is slowed by clearing blocks while it writes, at a fill [1]."""
    room = build.spare_share + (1.0 - fill) * condition.known_free_share
    crowded = _CROWDED_BELOW / room - 1.0
    return 1.0 + build.crowding * crowded if crowded > 0.0 else 1.0


def direct_rate(build: Build, condition: Condition, fill: float) -> float:
    """Give the rate past the cache at a fill, before heat and link [bytes/s]."""
    if build.medium is Medium.DISK:
        rate = zone_rate(build, fill)
    else:
        rate = build.direct_rate * worn_factor(build, condition) / crowding_factor(build, condition, fill)
    return rate * sick_factor(condition) * condition.wander


def cached_rate(build: Build, condition: Condition, fill: float) -> float:
    """Give the rate into the cache at a fill, before heat and link [bytes/s]."""
    rate = zone_rate(build, fill) if build.medium is Medium.DISK else build.cache_rate
    return rate * sick_factor(condition) * condition.wander


def link_rate(condition: Condition) -> float:
    """Give what the link lets through [bytes/s]: protocol overhead and repeated transfers taken off."""
    return condition.link_bytes_per_s * 0.93 * condition.link_share


def settled_temperature(build: Build, condition: Condition, rate: float) -> float:
    """Give the temperature a drive comes to when it writes at a rate for long [degC]."""
    if build.heat is None:
        return condition.ambient_c + 12.0
    watts = build.heat.idle_w + build.heat.joule_per_byte * rate
    return condition.ambient_c + build.heat.resistance_c_per_w * condition.dust * watts
