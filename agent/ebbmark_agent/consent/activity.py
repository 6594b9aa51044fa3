"""What disks were used for by others over the last while, from their counters read now and then.

Readings during an own probe would show the probe's bytes as foreign, so the log of a disk is begun anew after
one: the disk then has to be watched for the full time again.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

LONGEST_GAP_S = 15.0  # [s] between two readings; a longer one (suspend, a stall) begins the watch anew


@dataclass(frozen=True, kw_only=True)
class Watched:
    """How long a disk was watched up to its last reading, and what was read and written meanwhile."""

    watched_s: float
    moved_bytes: int


class ActivityLog:
    """The readings of all disks over a sliding span."""

    def __init__(self, *, span_s: float) -> None:
        """Take how far back to look [s]."""
        self._span_s = span_s
        self._readings: dict[str, deque[tuple[float, int]]] = {}

    def read(self, at_s: float, totals: Mapping[str, int]) -> None:
        """Take a reading of all disks.

        Args:
            at_s: When, by a monotonic clock [s].
            totals: Each disk's bytes read plus written since the system started [bytes].
        """
        for gone in self._readings.keys() - totals.keys():
            del self._readings[gone]
        for disk, total in totals.items():
            held = self._readings.setdefault(disk, deque())
            if held and (at_s - held[-1][0] > LONGEST_GAP_S or total < held[-1][1]):
                held.clear()
            held.append((at_s, total))
            while len(held) > 2 and held[1][0] <= at_s - self._span_s:
                held.popleft()

    def forget(self, disk: str) -> None:
        """Begin a disk's watch anew."""
        self._readings.pop(disk, None)

    def watched(self, disk: str, *, at_s: float) -> Watched:
        """Give what a disk was used for within the span.

        Args:
            disk: The disk.
            at_s: The present instant, by the readings' clock [s].

        Returns:
            Nothing watched where the disk was never read, or not lately.
        """
        held = self._readings.get(disk)
        if not held or at_s - held[-1][0] > LONGEST_GAP_S:
            return Watched(watched_s=0.0, moved_bytes=0)
        (begin_s, begin), (end_s, end) = held[0], held[-1]
        return Watched(watched_s=end_s - begin_s, moved_bytes=end - begin)
