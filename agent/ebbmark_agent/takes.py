"""Passive evidence: what rate a drive really carried while somebody else recorded to it or read from it.

Rules.

1. A take is traffic of others that stays above a least rate for a minute or more; the agent's own never is.
2. Recorders write through a cache that empties every few seconds, so traffic is smoothed over 15 s before it
   is said to go on or to have ended, and the peak is the highest mean over 10 s.
3. What a take carried is evidence of reach. It is a floor only for a stretch in which the disk was saturated
   by what a recorder does: always busy, requests always waiting behind one another, each of them large, next
   to nothing read, for half a minute or more. Many small writes keep a disk just as busy at a low rate.
4. A reading that goes backwards or comes late ends the take: the drive was swapped or the machine slept.
"""

import itertools
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from ebbmark_agent.evidence import Trace, floor
from ebbmark_agent.platforms import DiskCounters
from ebbmark_agent.report import PathFacts, TakeFacts

SMOOTHING_S = 15.0  # [s] three times the kernel's usual write-back interval of 5 s
PEAK_WINDOW_S = 10.0  # [s]
SATURATED_BUSY_SHARE = 0.97  # [1] of each second; common practice, no source
SATURATED_REQUESTS = 2  # [1] at least so many under way: one alone is a writer that waits, not a full disk
SATURATED_READ_SHARE = 0.01  # [1] of the bytes written
SATURATED_REQUEST_BYTES = 64 * 1024  # [bytes] on average; recorders write far larger ones
SATURATED_LEAST_S = 30.0  # [s]
FLOOR_BUFFER_S = 1.0  # [s] the sampling interval; nothing shorter can be told


@dataclass(frozen=True, kw_only=True)
class TakeRules:
    """From when on traffic is a take.

    Attributes:
        least_bytes_per_s: Below this it is housekeeping [bytes/s]; a 28 Mb/s camera stream is well above.
        least_duration_s: Shorter traffic is no take [s].
        quiet_s: So long below the least rate, and the take has ended [s].
        longest_s: A recorder that never stops is cut into takes of this length [s].
        latest_reading_s: A reading later than this after the one before does not continue it [s].
    """

    least_bytes_per_s: float = 2e6
    least_duration_s: float = 60.0
    quiet_s: float = 20.0
    longest_s: float = 4 * 3600.0
    latest_reading_s: float = 10.0


@dataclass(frozen=True, kw_only=True)
class SeenTake:
    """One take as the counters showed it; rates in [bytes/s].

    `written` says which direction made it a take: False for a medium that was read, as at offload.
    """

    started_at: datetime
    duration_s: float
    written: bool
    written_bytes: int
    read_bytes: int
    mean_bytes_per_s: float
    peak_bytes_per_s: float
    busy_share: float | None
    saturated: bool
    saturated_floor_bytes_per_s: float | None

    def to_facts(self, *, take_id: str, path: PathFacts, fill_start: float | None = None) -> TakeFacts:
        """Give the take as it is reported.

        Args:
            take_id: a name made once for this take.
            path: the way the traffic went.
            fill_start: used share of the volume at its start, if known [1].
        """
        return TakeFacts(
            take_id=take_id,
            started_at=self.started_at,
            duration_s=self.duration_s,
            written_bytes=self.written_bytes if self.written else 0,
            mean_bytes_per_s=self.mean_bytes_per_s if self.written else 0.0,
            peak_bytes_per_s=self.peak_bytes_per_s if self.written else 0.0,
            busy_share=self.busy_share,
            saturated=self.saturated,
            saturated_floor_bytes_per_s=self.saturated_floor_bytes_per_s,
            path=path,
            fill_start=fill_start,
            read_bytes=self.read_bytes,
            read_mean_bytes_per_s=None if self.written else self.mean_bytes_per_s,
            read_peak_bytes_per_s=None if self.written else self.peak_bytes_per_s,
        )


class TakeWatcher:
    """Watches one drive: fed with readings, it gives a take when one has ended."""

    def __init__(self, *, rules: TakeRules = TakeRules()) -> None:
        """Take the rules by which traffic is a take."""
        self._rules = rules
        self._writing = _Side(rules=rules, written=True)
        self._reading = _Side(rules=rules, written=False)
        self._last: DiskCounters | None = None

    def feed(
        self, counters: DiskCounters, *, now: datetime, own_traffic: bool = False
    ) -> tuple[SeenTake, ...]:
        """Take one reading of the drive's counters.

        Args:
            counters: the reading.
            now: its instant.
            own_traffic: the agent itself probes this drive now.

        Returns:
            The takes that this reading shows to have ended: none, a recording, an offload, or both.
        """
        last, self._last = self._last, counters
        if own_traffic or (last is not None and not self._continues(last, counters)):
            return self.end()
        if last is not None:
            for side in (self._writing, self._reading):
                side.add(last, counters, now=now)
        return self._collected(ended=False)

    def end(self) -> tuple[SeenTake, ...]:
        """End what goes on, as when the drive went away or the agent stops, and give it if it is a take."""
        return self._collected(ended=True)

    @property
    def going_on(self) -> bool:
        """Tell whether a recording long enough to be a take goes on right now."""
        return self._writing.going_on

    def _collected(self, *, ended: bool) -> tuple[SeenTake, ...]:
        found = (side.take(ended=ended) for side in (self._writing, self._reading))
        return tuple(take for take in found if take is not None)

    def _continues(self, last: DiskCounters, counters: DiskCounters) -> bool:
        return (
            0 < counters.at_s - last.at_s <= self._rules.latest_reading_s
            and counters.written_bytes >= last.written_bytes
            and counters.read_bytes >= last.read_bytes
        )


class TakeSampler:
    """Reads the counters of the drives it is told to watch and keeps a watcher for each."""

    def __init__(self, read: Callable[[str], DiskCounters | None], *, rules: TakeRules = TakeRules()) -> None:
        """Take the way to read a disk's counters by its kernel name, and the rules."""
        self._read = read
        self._rules = rules
        self._watchers: dict[str, TakeWatcher] = {}

    def sample(
        self, disks: Iterable[str], *, now: datetime, probed: frozenset[str] = frozenset()
    ) -> dict[str, tuple[SeenTake, ...]]:
        """Read all disks once; to be called about once a second.

        Args:
            disks: kernel names of the disks to watch.
            now: the instant.
            probed: those the agent itself writes to or reads from now.

        Returns:
            The takes that ended, by disk. A disk that is no longer named, or whose counters are gone, is
            let go, and what went on there counts as ended.
        """
        ended: dict[str, tuple[SeenTake, ...]] = {}
        counted = set()
        for disk in dict.fromkeys(disks):
            counters = self._read(disk)
            if counters is None:
                continue
            counted.add(disk)
            watcher = self._watchers.setdefault(disk, TakeWatcher(rules=self._rules))
            if takes := watcher.feed(counters, now=now, own_traffic=disk in probed):
                ended[disk] = takes
        for disk in [name for name in self._watchers if name not in counted]:
            if takes := self._watchers.pop(disk).end():
                ended[disk] = takes
        return ended

    def recording(self) -> frozenset[str]:
        """Give the disks on which a recording goes on right now."""
        return frozenset(disk for disk, watcher in self._watchers.items() if watcher.going_on)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Second:
    """What happened between two readings."""

    ends_at: datetime
    length_s: float
    moved_bytes: int
    other_bytes: int
    busy_s: float | None
    in_flight: int | None
    requests: int | None


class _Side:
    """One direction of one drive's traffic."""

    def __init__(self, *, rules: TakeRules, written: bool) -> None:
        self._rules = rules
        self._written = written
        self._recent: deque[_Second] = deque()
        self._seconds: list[_Second] = []
        self._seconds_s = 0.0
        self._quiet_s = 0.0

    @property
    def going_on(self) -> bool:
        return self._seconds_s >= self._rules.least_duration_s

    def add(self, last: DiskCounters, counters: DiskCounters, *, now: datetime) -> None:
        second = self._second(last, counters, now)
        self._recent.append(second)
        while len(self._recent) > 1 and _length_s(self._recent) - self._recent[0].length_s >= SMOOTHING_S:
            self._recent.popleft()
        window_s = max(_length_s(self._recent), SMOOTHING_S)
        active = sum(part.moved_bytes for part in self._recent) / window_s >= self._rules.least_bytes_per_s
        if self._seconds:
            self._seconds.append(second)
            self._seconds_s += second.length_s
        elif active:
            self._seconds = list(itertools.dropwhile(self._is_quiet, self._recent))
            self._seconds_s = _length_s(self._seconds)
        self._quiet_s = 0.0 if active else self._quiet_s + second.length_s

    def take(self, *, ended: bool) -> SeenTake | None:
        if not self._seconds:
            if ended:
                self._recent.clear()
            return None
        full = self._seconds_s >= self._rules.longest_s
        if not (ended or full or self._quiet_s >= self._rules.quiet_s):
            return None
        seconds = self._without_silence()
        silent = len(self._seconds) - len(seconds)
        self._forget(recent_too=ended or full)
        if _length_s(seconds) < self._rules.least_duration_s:
            return None
        while len(self._recent) > silent:  # what this take held does not begin the next one
            self._recent.popleft()
        return self._describe(seconds)

    def _forget(self, *, recent_too: bool) -> None:
        self._seconds = []
        self._seconds_s = 0.0
        self._quiet_s = 0.0
        if recent_too:
            self._recent.clear()

    def _is_quiet(self, part: _Second) -> bool:
        return part.moved_bytes < self._rules.least_bytes_per_s * part.length_s

    def _without_silence(self) -> list[_Second]:
        end = len(self._seconds)
        while end and self._is_quiet(self._seconds[end - 1]):
            end -= 1
        return self._seconds[:end]

    def _second(self, last: DiskCounters, counters: DiskCounters, now: datetime) -> _Second:
        written = counters.written_bytes - last.written_bytes
        read = counters.read_bytes - last.read_bytes
        busy = (
            counters.busy_s - last.busy_s if counters.busy_s is not None and last.busy_s is not None else None
        )
        return _Second(
            ends_at=now,
            length_s=counters.at_s - last.at_s,
            moved_bytes=written if self._written else read,
            other_bytes=read if self._written else written,
            busy_s=busy,
            in_flight=counters.in_flight,
            requests=(
                counters.write_requests - last.write_requests
                if counters.write_requests is not None and last.write_requests is not None
                else None
            ),
        )

    def _describe(self, seconds: list[_Second]) -> SeenTake:
        duration_s = _length_s(seconds)
        moved = sum(part.moved_bytes for part in seconds)
        other = sum(part.other_bytes for part in seconds)
        known_busy = [part.busy_s for part in seconds if part.busy_s is not None]
        stretch = _saturated_stretch(seconds) if self._written else []
        return SeenTake(
            started_at=seconds[0].ends_at - timedelta(seconds=seconds[0].length_s),
            duration_s=duration_s,
            written=self._written,
            written_bytes=moved if self._written else other,
            read_bytes=other if self._written else moved,
            mean_bytes_per_s=moved / duration_s,
            peak_bytes_per_s=_peak(seconds),
            busy_share=(min(1.0, sum(known_busy) / duration_s) if len(known_busy) == len(seconds) else None),
            saturated=bool(stretch),
            saturated_floor_bytes_per_s=_floor(stretch) if stretch else None,
        )


def _length_s(seconds: Iterable[_Second]) -> float:
    return sum(part.length_s for part in seconds)


def _peak(seconds: list[_Second]) -> float:
    """Give the highest mean over ten seconds [bytes/s]."""
    best, start, length_s, moved = 0.0, 0, 0.0, 0
    for part in seconds:
        length_s += part.length_s
        moved += part.moved_bytes
        while length_s - seconds[start].length_s >= PEAK_WINDOW_S:
            length_s -= seconds[start].length_s
            moved -= seconds[start].moved_bytes
            start += 1
        if length_s >= PEAK_WINDOW_S:
            best = max(best, moved / length_s)
    return best


def _saturated_stretch(seconds: list[_Second]) -> list[_Second]:
    """Give the longest stretch in which the disk was saturated, empty if there was none long enough."""
    best: list[_Second] = []
    for saturated, group in itertools.groupby(seconds, key=_is_saturated):
        stretch = list(group)
        if saturated and _length_s(stretch) > max(_length_s(best), SATURATED_LEAST_S - 1e-6):
            best = stretch
    return best


def _is_saturated(part: _Second) -> bool:
    if part.busy_s is None or part.in_flight is None or part.requests is None:
        return False
    return (
        part.moved_bytes >= SATURATED_REQUEST_BYTES * part.requests
        and part.busy_s >= SATURATED_BUSY_SHARE * part.length_s
        and part.in_flight >= SATURATED_REQUESTS
        and part.other_bytes <= SATURATED_READ_SHARE * part.moved_bytes
    )


def _floor(stretch: list[_Second]) -> float:
    times = [0.0, *itertools.accumulate(part.length_s for part in stretch)]
    totals = [0, *itertools.accumulate(part.moved_bytes for part in stretch)]
    return floor(Trace.from_points(times, totals), buffer_s=FLOOR_BUFFER_S).bytes_per_s
