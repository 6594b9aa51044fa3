"""The fluid engine: a drive taking bytes over time, greedily or paced, with its cache and its heat moving."""

import math
from dataclasses import dataclass

from sample_fleet.physics.build import Build
from sample_fleet.physics.condition import (
    Condition,
    cache_bytes,
    cached_rate,
    direct_rate,
    link_rate,
    settled_temperature,
)

_TINY_CACHE = 64e6  # [bytes] below this a cache that just filled stays shut, so that it does not flicker


@dataclass
class Writing:
    """A drive in the middle of being written to. It moves; make one for each probe or take."""

    build: Build
    condition: Condition
    fill: float
    cache_left: float
    cache_open: bool
    temperature_c: float
    hottest_c: float

    @classmethod
    def begin(cls, build: Build, condition: Condition) -> "Writing":
        """Start from the day's condition and the temperature of rest."""
        room = cache_bytes(build, condition) * (1.0 - condition.cache_spent_share)
        resting = settled_temperature(build, condition, 0.0)
        return cls(build, condition, condition.fill, room, room > _TINY_CACHE, resting, resting)

    def capacity(self) -> float:
        """Give the rate the drive would take now [bytes/s]."""
        inside = cached_rate if self.cache_open else direct_rate
        rate = min(inside(self.build, self.condition, self.fill), link_rate(self.condition))
        heat = self.build.heat
        if heat is None or self.temperature_c <= heat.throttle_c:
            return rate
        return rate * max(0.1, 1.0 - (self.temperature_c - heat.throttle_c) / heat.band_c)

    def take(self, accepted: float, duration_s: float, idle_share: float) -> None:
        """Account for bytes accepted over a time: fill, cache and heat move on."""
        build = self.build
        self.fill = min(1.0, self.fill + accepted / build.capacity_bytes)
        if self.cache_open:
            self.cache_left -= accepted
            if self.cache_left <= 1.0:
                self.cache_left, self.cache_open = 0.0, False
        room = cache_bytes(build, self.condition)
        cleaning = build.clean_share * direct_rate(build, self.condition, self.fill)
        cleaned = cleaning * idle_share * duration_s if room else 0.0
        self.cache_left = min(room, self.cache_left + cleaned)
        if not self.cache_open and self.cache_left > max(_TINY_CACHE, 0.02 * room):
            self.cache_open = True
        if build.heat is not None:
            goal = settled_temperature(build, self.condition, accepted / duration_s)
            keep = math.exp(-duration_s / build.heat.time_constant_s)
            self.temperature_c = goal + (self.temperature_c - goal) * keep
            self.hottest_c = max(self.hottest_c, self.temperature_c)

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
