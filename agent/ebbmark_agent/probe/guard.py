"""Stands between two blocks: gives way, obeys a cancel, tells the progress; and samples the disks' counters.

Between two blocks nothing of the probe is in flight, so the disks' counters less the probe's own bytes are
exactly what others did. A block lasts about 50 ms; a take is noticed at the end of the block it began in.
"""

import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from ebbmark_agent.consent.foreign import NEIGHBOUR, ON_TARGET, DiskSample, ForeignMeter, Grant
from ebbmark_agent.platforms import Platform
from ebbmark_agent.probe.ended import CancelledError, GaveWayError
from ebbmark_agent.probe.log import BlockLog
from ebbmark_agent.probe.request import OwnIo, Phase, Progress, ProgressSink, Watch

LOOK_EVERY_S = 0.01  # [s] counters cost some 20 us a disk; a block on a fast drive lasts 2 ms
TELL_EVERY_S = 0.5  # [s] between two tellings of the progress


class Guard:
    """What every loop of a probe calls after each block; raises to end the probe."""

    def __init__(
        self,
        *,
        watch: Watch | None = None,
        cancel: threading.Event | None = None,
        progress: ProgressSink | None = None,
    ) -> None:
        """Take what to ask and whom to tell."""
        self._watch = watch
        self._cancel = cancel
        self._progress = progress
        self._done_bytes = 0
        self._read_bytes = 0
        self._looked_s = 0.0
        self._told_s = 0.0
        self._phase = Phase.LAYING_OUT
        self._phase_begin_s = time.monotonic()
        self._target_bytes = 0
        self.temperature_c: float | None = None
        self.floor_bytes_per_s: float | None = None

    def begin(self, phase: Phase, target_bytes: int) -> None:
        """Enter a phase and look at once, which also takes the counters' first reading."""
        self._phase = phase
        self._target_bytes = target_bytes
        self._phase_begin_s = time.monotonic()
        self._told_s = 0.0
        self.look()

    def did(self, moved_bytes: int) -> None:
        """Count the probe's own read or write, by the phase it is in."""
        self._done_bytes += moved_bytes
        if self._phase in {Phase.READING, Phase.READING_BACK}:
            self._read_bytes += moved_bytes

    def look(self, *, in_flight_bytes: int = 0) -> None:
        """Ask now whether to stop.

        Raises:
            GaveWayError: Somebody else needs the drive.
            CancelledError: The probe was called off.
        """
        self._looked_s = time.monotonic()
        if self._cancel is not None and self._cancel.is_set():
            raise CancelledError
        if self._watch is not None:
            own = OwnIo(
                done_bytes=self._done_bytes, in_flight_bytes=in_flight_bytes, read_bytes=self._read_bytes
            )
            reason = self._watch.poll(own)
            if reason is not None:
                raise GaveWayError(reason)

    def between(self, log: BlockLog, done_bytes: int, *, in_flight_bytes: int = 0) -> None:
        """Look and tell when it is time to.

        Raises:
            GaveWayError: Somebody else needs the drive.
            CancelledError: The probe was called off.
        """
        now = time.monotonic()
        if now - self._looked_s >= LOOK_EVERY_S:
            self.look(in_flight_bytes=in_flight_bytes)
        if self._progress is not None and now - self._told_s >= TELL_EVERY_S:
            self._told_s = now
            self.tell(done_bytes, log.rate_now())

    def tell(self, done_bytes: int, rate_now: float) -> None:
        """Tell the progress now."""
        if self._progress is None:
            return
        left = (self._target_bytes - done_bytes) / rate_now if rate_now > 0 else None
        self._progress(
            Progress(
                phase=self._phase,
                done_bytes=done_bytes,
                target_bytes=self._target_bytes,
                elapsed_s=time.monotonic() - self._phase_begin_s,
                rate_now_bytes_per_s=rate_now,
                floor_so_far_bytes_per_s=self.floor_bytes_per_s,
                left_s=max(0.0, left) if left is not None else None,
                temperature_c=self.temperature_c,
            )
        )

    def wait(self, seconds: float, *, done_bytes: int, slice_s: float = 0.05) -> None:
        """Wait without writing, looking all the while.

        Raises:
            GaveWayError: Somebody else needs the drive.
            CancelledError: The probe was called off.
        """
        pause = self._cancel or threading.Event()
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            pause.wait(min(slice_s, left))
            self.look()
            if time.monotonic() - self._told_s >= TELL_EVERY_S:
                self._told_s = time.monotonic()
                self.tell(done_bytes, 0.0)


@dataclass(frozen=True, kw_only=True)
class WatchedDisk:
    """A disk whose counters are watched, or the members of one array as if they were one disk.

    An array's members are summed: how its bytes fall on each is its own affair, what reaches all of them
    together follows from its level.

    Attributes:
        name: The kernel's name of the whole disk.
        and_with: Those of the array's other members; empty for a disk alone.
        own_copies: How many bytes arrive there for each byte the probe writes [1]: 1 below a plain volume or
            a stripe, as many as there are copies in a mirror, 0 on a neighbour. A read arrives once.
        grant: What it may show beyond the probe's own bytes.
    """

    name: str
    and_with: tuple[str, ...] = ()
    own_copies: float = 1.0
    grant: Grant = ON_TARGET

    @property
    def called(self) -> str:
        """How it is called in sentences."""
        return " + ".join((self.name, *self.and_with))

    def sample(self, platform: Platform, own: OwnIo) -> DiskSample | None:
        """Read the counters beside the probe's own books; None where one of them can no longer be read."""
        total, at_s = 0, 0.0
        for name in (self.name, *self.and_with):
            counters = platform.disk_counters(name)
            if counters is None:
                return None
            total, at_s = total + counters.read_bytes + counters.written_bytes, counters.at_s
        written = own.done_bytes - own.read_bytes
        return DiskSample(
            at_s=at_s,
            disk_bytes=total,
            own_done_bytes=int(written * self.own_copies + own.read_bytes * min(1.0, self.own_copies)),
            own_in_flight_bytes=int(own.in_flight_bytes * self.own_copies),
        )

    @classmethod
    def neighbour(cls, name: str, grant: Grant = NEIGHBOUR) -> "WatchedDisk":
        """Watch a disk on the same upstream, where the probe itself does nothing."""
        return cls(name=name, own_copies=0.0, grant=grant)


@dataclass(kw_only=True)
class CounterWatch:
    """Gives way to foreign I/O on any of the disks, and to whatever else the caller wants asked.

    Attributes:
        platform: Reads the counters.
        disks: The disks to watch.
        also: Further questions, each answered by a sentence or None: a hold, the on-air switch, capturing.
    """

    platform: Platform
    disks: tuple[WatchedDisk, ...]
    also: Iterable[Callable[[], str | None]] = ()
    _meters: dict[str, ForeignMeter] = field(init=False)

    def __post_init__(self) -> None:
        self._meters = {disk.name: ForeignMeter(grant=disk.grant) for disk in self.disks}

    def poll(self, own: OwnIo) -> str | None:
        """Take a reading of every disk and give the first reason to stop."""
        for disk in self.disks:
            sample = disk.sample(self.platform, own)
            if sample is None:
                return f"The counters of {disk.called} can no longer be read."
            seen = self._meters[disk.name].feed(sample)
            if seen is not None:
                return seen.sentence(disk.called)
        for ask in self.also:
            reason = ask()
            if reason is not None:
                return reason
        return None
