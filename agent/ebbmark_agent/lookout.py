"""Keeps looking at the machine between probes: disk counters, capture programs, switches.

A probe asks the lookout's latest answers between two blocks, so each answer is kept ready and costs nothing.
"""

import threading
from collections.abc import Callable, Iterable, Mapping

import psutil

from ebbmark_agent.clock import Clock
from ebbmark_agent.consent import ActivityLog
from ebbmark_agent.errors import StateUnusableError
from ebbmark_agent.platforms import Platform
from ebbmark_agent.switches import Switches

LOOK_EVERY_S = 1.0  # [s] between two looks


def running_among(names: Iterable[str]) -> tuple[str, ...]:
    """Give those of the named programs that run now.

    Args:
        names: Program names, compared without case and without `.exe`.
    """
    wanted = {_plain(name): name for name in names}
    if not wanted:
        return ()
    seen = {_plain(process.info["name"] or "") for process in psutil.process_iter(["name"])}
    return tuple(sorted(wanted[name] for name in wanted.keys() & seen))


def _plain(name: str) -> str:
    return name.lower().removesuffix(".exe")


class Lookout:
    """The latest answers, and the thread that keeps them fresh."""

    def __init__(
        self,
        *,
        platform: Platform,
        switches: Switches,
        capture_processes: tuple[str, ...] = (),
        quiet_s: float,
        disks: Callable[[], Iterable[str]],
        clock: Clock | None = None,
        also: Callable[[float, Mapping[str, int]], None] | None = None,
    ) -> None:
        """Take what to look at.

        Args:
            platform: Reads the disks' counters.
            switches: The local switches.
            capture_processes: Names of programs that mean capture.
            quiet_s: How far back disk activity is kept [s].
            disks: Gives the kernel names of the disks to look at.
            clock: The clocks.
            also: Is told of every reading, with its instant [s] and the disks' totals [bytes].
        """
        self._platform = platform
        self._switches = switches
        self._names = capture_processes
        self._disks = disks
        self._clock = clock or Clock()
        self._also = also
        self._log = ActivityLog(span_s=quiet_s)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.capturing: tuple[str, ...] = ()

    def look(self) -> None:
        """Look once."""
        totals = {}
        for disk in self._disks():
            counters = self._platform.disk_counters(disk)
            if counters is not None:
                totals[disk] = counters.read_bytes + counters.written_bytes
        at_s = self._clock.monotonic_s()
        with self._lock:
            self._log.read(at_s, totals)
        self.capturing = running_among(self._names)
        if self._also is not None:
            self._also(at_s, totals)

    def watched(self, disk: str) -> tuple[float, int]:
        """Give how long a disk was watched [s] and what was moved meanwhile [bytes]."""
        with self._lock:
            found = self._log.watched(disk, at_s=self._clock.monotonic_s())
        return found.watched_s, found.moved_bytes

    def forget(self, disks: Iterable[str]) -> None:
        """Begin the watch of some disks anew, after an own probe."""
        with self._lock:
            for disk in disks:
                self._log.forget(disk)

    def reason_to_stop(self) -> str | None:
        """Give why a running probe has to give way, beyond what the disks' counters tell."""
        if self._switches.on_air():
            return "The on-air switch was set."
        if self.capturing:
            return "A program that means capture was started."
        try:
            if self._switches.holds(now=self._clock.utc()):
                return "A hold was set at this machine."
        except StateUnusableError as error:
            return str(error)
        return None

    def start(self) -> None:
        """Look every second from now on, in a thread of its own."""
        self._thread = threading.Thread(target=self._keep_looking, name="lookout", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def _keep_looking(self) -> None:
        while not self._stop.wait(LOOK_EVERY_S):
            self.look()
