"""The rule while a probe runs: which of the bytes that a disk's counters show are not the probe's own.

1. Foreign bytes are the counters' growth less the probe's own, reads and writes together.
2. A block in flight may be counted in part, so it is held against nobody: foreign is the least it can be.
   Between two blocks nothing is in flight and the count is exact; that is when to sample.
3. The probe's own file system traffic is granted: 1 % of its bytes plus 256 kB/s, never less than 128 kB at
   once (a journal's commit) and never more than 1.5 MB/s for the share, so that on the fastest drive a take
   of 28 Mb/s, 3.5 MB/s, still stands out.
4. Anything beyond the grant within 100 ms, or within half a second, ends the probe.

Pure: instants come in from a monotonic clock; what to do about it is the caller's.
"""

from collections import deque
from dataclasses import dataclass

WINDOWS_S = (0.1, 0.5)  # [s] the first sees a frame, the second what trickles in below the least grant


@dataclass(frozen=True, kw_only=True)
class Grant:
    """What the counters may show beyond the probe's own bytes before it is called foreign."""

    own_share: float = 0.01  # [1] of own bytes: metadata of the probe's own file
    own_share_most_bytes_per_s: float = 1_500_000.0  # [bytes/s] the share's upper bound
    bytes_per_s: float = 256_000.0  # [bytes/s] the idle murmur of a mounted file system
    least_bytes: int = 128_000  # [bytes] one journal commit

    def bytes_over(self, *, duration_s: float, own_bytes: int) -> float:
        """Give what is granted over a window.

        Args:
            duration_s: The window's length [s].
            own_bytes: The probe's own bytes in it [bytes].

        Returns:
            The grant [bytes].
        """
        share = min(self.own_share * own_bytes, self.own_share_most_bytes_per_s * duration_s)
        return max(float(self.least_bytes), share + self.bytes_per_s * duration_s)


ON_TARGET = Grant()
NEIGHBOUR = Grant(own_share=0.0, least_bytes=64_000)


def lively(bytes_per_s: float) -> Grant:
    """Give the grant for a system or edit disk, where some I/O of others is part of life.

    Args:
        bytes_per_s: Foreign I/O still called quiet there [bytes/s].
    """
    return Grant(bytes_per_s=bytes_per_s + 256_000.0, least_bytes=max(128_000, int(bytes_per_s)))


@dataclass(frozen=True, kw_only=True)
class DiskSample:
    """What a disk's counters and the probe's own books say at one moment."""

    at_s: float  # [s] monotonic
    disk_bytes: int  # [bytes] read plus written, by the kernel's counters
    own_done_bytes: int = 0  # [bytes] of completed blocks
    own_in_flight_bytes: int = 0  # [bytes] submitted, not yet completed


@dataclass(frozen=True, kw_only=True)
class ForeignSeen:
    """Foreign I/O beyond the grant."""

    foreign_bytes: int
    granted_bytes: int
    over_s: float

    def sentence(self, disk: str) -> str:
        """Say it for people.

        Args:
            disk: How the disk is called.
        """
        return (
            f"Something else used {disk}: {self.foreign_bytes / 1e6:.2f} MB in {self.over_s * 1e3:.0f} ms, "
            f"{self.granted_bytes / 1e6:.2f} MB are granted."
        )


class ForeignMeter:
    """Watches one disk through a probe, sample by sample."""

    def __init__(self, *, grant: Grant = ON_TARGET) -> None:
        """Take what is granted."""
        self._grant = grant
        self._samples: deque[DiskSample] = deque()

    def feed(self, sample: DiskSample) -> ForeignSeen | None:
        """Take the next sample.

        Args:
            sample: Later than the one before.

        Returns:
            The foreign I/O seen, or None while there is none beyond the grant.
        """
        seen = None
        for window_s in WINDOWS_S:
            begin = self._begin(sample.at_s - window_s)
            if begin is not None and seen is None:
                seen = self._judge(begin, sample)
        self._samples.append(sample)
        while len(self._samples) > 1 and self._samples[1].at_s <= sample.at_s - WINDOWS_S[-1]:
            self._samples.popleft()
        return seen

    def _begin(self, at_s: float) -> DiskSample | None:
        """The latest sample at or before an instant, else the first there is."""
        for held in reversed(self._samples):
            if held.at_s <= at_s:
                return held
        return self._samples[0] if self._samples else None

    def _judge(self, begin: DiskSample, end: DiskSample) -> ForeignSeen | None:
        own_most = end.own_done_bytes + end.own_in_flight_bytes - begin.own_done_bytes
        duration_s = end.at_s - begin.at_s
        foreign = end.disk_bytes - begin.disk_bytes - own_most
        granted = self._grant.bytes_over(duration_s=duration_s, own_bytes=max(0, own_most))
        if foreign <= granted:
            return None
        return ForeignSeen(foreign_bytes=foreign, granted_bytes=int(granted), over_s=duration_s)
