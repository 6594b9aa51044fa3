"""Drives with a known truth, simulated block by block: an independent check of what is read from traces.

Each drive says how long one more block takes, given how much it has taken and how long it has been
written to. Nothing here is shared with the code under test but the trace itself.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field

from ebbmark_agent.evidence import Trace

MiB = 1 << 20
GB = 1e9
MB = 1e6

Rate = Callable[[float, float], float]  # (written bytes, elapsed s) -> bytes/s


def stages(*steps: tuple[float, float]) -> Rate:
    """Make a rate that steps: (from this byte on [bytes], rate [bytes/s]) in rising order."""

    def rate(written: float, _elapsed: float) -> float:
        current = steps[0][1]
        for from_byte, value in steps:
            if written >= from_byte:
                current = value
        return current

    return rate


def falling_with_bytes(first: float, last: float, over_bytes: float) -> Rate:
    """Make a rate that falls in a straight line over the bytes written."""
    return lambda written, _elapsed: first + (last - first) * min(1.0, written / over_bytes)


def toward_inner_tracks(outer: float, inner: float, capacity: float, zones: int = 20) -> Rate:
    """Make a disk's rate: proportional to the radius, which falls with the root of the bytes, in zones.

    Common practice, no source: equal linear density on every track, so rate follows circumference.
    """

    def rate(written: float, _elapsed: float) -> float:
        share = min(1.0, math.floor(written / capacity * zones) / zones)
        return math.sqrt(outer**2 - (outer**2 - inner**2) * share)

    return rate


def sagging(cool: float, hot: float, heats_after_s: float, sags_over_s: float, cools_after_s: float) -> Rate:
    """Make a rate that sags gradually when the drive is hot, then comes back, again and again."""
    cycle_s = heats_after_s + sags_over_s + cools_after_s

    def rate(_written: float, elapsed: float) -> float:
        at = elapsed % cycle_s
        if at < heats_after_s:
            return cool
        at -= heats_after_s
        if at < sags_over_s:
            return cool + (hot - cool) * at / sags_over_s
        return hot + (cool - hot) * (at - sags_over_s) / cools_after_s

    return rate


@dataclass
class SimulatedDrive:
    """A drive with a rate, jitter, stalls, a start-up and the throttle's slices."""

    rate: Rate
    jitter: float = 0.0  # [1] each block's time varies evenly by up to this share
    slice_s: float = 0.0  # [s] 0.1 like the kernel's throttle: a slice's bytes go at once, then it waits
    stall_every_bytes: float = math.inf  # [bytes]
    stall_s: float = 0.0  # [s]
    stall_jitter: float = 0.0  # [1] of the distance between stalls
    stalls_from_byte: float = 0.0  # [bytes]
    start_up_s: float = 0.0  # [s] before the first block
    seed: int = 1
    block_bytes: int = 4 * MiB
    stalled_at: list[float] = field(default_factory=list)

    def write(self, total_bytes: float) -> Trace:
        """Write greedily and give the trace."""
        chance = random.Random(self.seed)
        self.stalled_at = []
        elapsed = self.start_up_s
        written = 0
        next_stall = self.stalls_from_byte + self._distance(chance)
        slice_end = elapsed + 2 * self.slice_s  # the first slice is a head start
        credit_s = 2 * self.slice_s  # in time, so that a block after a cliff costs what it costs there
        times, totals = [0.0], [0]
        while written < total_bytes:
            rate = self.rate(written, elapsed)
            if self.slice_s:
                cost_s = self.block_bytes / rate
                while credit_s < cost_s / 2:
                    elapsed = max(elapsed, slice_end)
                    slice_end += self.slice_s
                    credit_s += self.slice_s
                credit_s -= cost_s
                took = 0.15 * cost_s
            else:
                took = self.block_bytes / rate
            took *= 1 + chance.uniform(-self.jitter, self.jitter)
            if written >= next_stall:
                self.stalled_at.append(written)
                took += self.stall_s
                slice_end += self.stall_s
                next_stall += self._distance(chance)
            elapsed += took
            written += self.block_bytes
            times.append(elapsed)
            totals.append(written)
        return Trace.from_points(times, totals)

    def _distance(self, chance: random.Random) -> float:
        if math.isinf(self.stall_every_bytes):
            return math.inf
        return self.stall_every_bytes * (1 + chance.uniform(-self.stall_jitter, self.stall_jitter))
