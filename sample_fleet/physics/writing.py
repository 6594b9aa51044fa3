"""The fluid engine: a drive taking bytes over time, greedily or paced, with its cache and its heat moving."""

import math

from sample_fleet.physics.build import Build, Medium
from sample_fleet.physics.condition import (
    Condition,
    cache_bytes,
    cached_rate,
    crowding_factor,
    link_rate,
    settled_temperature,
    sick_factor,
    worn_factor,
    zone_rate,
)

_TINY_CACHE = 64e6  # [bytes] below this a cache that just filled stays shut, so that it does not flicker


class Writing:
    """A drive in the middle of being written to. It moves; make one for each probe or take.

    A take is thousands of steps in one and the same condition, so what follows from that alone is worked out
    once; limits are kept by comparing, since a call for each costs a third of the time.
    """

    __slots__ = (
        "_cached",
        "_disk",
        "_link",
        "_room",
        "_sick",
        "_thermal",
        "_unworn",
        "build",
        "cache_left",
        "cache_open",
        "condition",
        "fill",
        "hottest_c",
        "temperature_c",
    )

    def __init__(self, build: Build, condition: Condition) -> None:
        """Start from the day's condition and the temperature of rest."""
        self.build = build
        self.condition = condition
        self.fill = condition.fill
        self._room = cache_bytes(build, condition)
        self.cache_left = self._room * (1.0 - condition.cache_spent_share)
        self.cache_open = self.cache_left > _TINY_CACHE
        self.temperature_c = self.hottest_c = settled_temperature(build, condition, 0.0)
        self._disk = build.medium is Medium.DISK
        self._sick = sick_factor(condition)
        self._cached = cached_rate(build, condition, condition.fill)
        self._unworn = build.direct_rate * worn_factor(build, condition)
        self._link = link_rate(condition)
        self._thermal = build.heat.resistance_c_per_w * condition.dust if build.heat is not None else 0.0

    @classmethod
    def begin(cls, build: Build, condition: Condition) -> "Writing":
        """Start from the day's condition and the temperature of rest."""
        return cls(build, condition)

    def _direct_rate(self) -> float:
        if self._disk:
            rate = zone_rate(self.build, self.fill)
        else:
            rate = self._unworn / crowding_factor(self.build, self.condition, self.fill)
        return rate * self._sick * self.condition.wander

    def capacity(self) -> float:
        """Give the rate the drive would take now [bytes/s]."""
        # A plain disk has no cache, so what goes into one never depends on the fill.
        rate = self._cached if self.cache_open else self._direct_rate()
        if rate > self._link:
            rate = self._link
        heat = self.build.heat
        if heat is None or self.temperature_c <= heat.throttle_c:
            return rate
        return rate * max(0.1, 1.0 - (self.temperature_c - heat.throttle_c) / heat.band_c)

    def take(self, accepted: float, duration_s: float, idle_share: float) -> None:
        """Account for bytes accepted over a time: fill, cache and heat move on."""
        build, room = self.build, self._room
        self.fill += accepted / build.capacity_bytes
        if self.fill > 1.0:
            self.fill = 1.0
        if self.cache_open:
            self.cache_left -= accepted
            if self.cache_left <= 1.0:
                self.cache_left, self.cache_open = 0.0, False
        if idle_share and room:
            self.cache_left += build.clean_share * self._direct_rate() * idle_share * duration_s
        if self.cache_left > room:
            self.cache_left = room
        if not self.cache_open and self.cache_left > _TINY_CACHE and self.cache_left > 0.02 * room:
            self.cache_open = True
        heat = build.heat
        if heat is not None:
            watts = heat.idle_w + heat.joule_per_byte * (accepted / duration_s)
            goal = self.condition.ambient_c + self._thermal * watts
            keep = math.exp(-duration_s / heat.time_constant_s)
            self.temperature_c = goal + (self.temperature_c - goal) * keep
            if self.temperature_c > self.hottest_c:
                self.hottest_c = self.temperature_c

    def write(self, n_bytes: float) -> float:
        """Write greedily and give the time it took [s]; a chunk that fills the cache is split there."""
        spent_s = 0.0
        while n_bytes > 0.5:
            rate = self.capacity()
            now = min(n_bytes, self.cache_left) if self.cache_open else n_bytes
            duration_s = now / rate
            self.take(now, duration_s, 0.0)
            spent_s += duration_s
            n_bytes -= now
        return spent_s
