"""Reads a drive's temperature from a thread of its own, so that no write waits for the answer."""

import threading
from types import TracebackType
from typing import Self

from ebbmark_agent.probe.request import Thermometer

COOLED_BY_C = 5.0  # [C] below the limit before a paused soak goes on


class HeatRecord:
    """The temperatures of one probe: at its start, now, and the hottest."""

    def __init__(self, thermometer: Thermometer | None, *, every_s: float) -> None:
        """Take what reads the temperature, if anything does."""
        self._thermometer = thermometer
        self._every_s = every_s
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.start_c: float | None = None
        self.now_c: float | None = None
        self.hottest_c: float | None = None

    def __enter__(self) -> Self:
        """Read once, then go on reading in the background."""
        if self._thermometer is not None:
            self._read(self._thermometer)
            self.start_c = self.now_c
            self._thread = threading.Thread(
                target=self._run, args=(self._thermometer,), name="probe-heat", daemon=True
            )
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop reading."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def _run(self, thermometer: Thermometer) -> None:
        while not self._stop.wait(self._every_s):
            self._read(thermometer)

    def _read(self, thermometer: Thermometer) -> None:
        self.now_c = thermometer()
        if self.now_c is not None:
            self.hottest_c = self.now_c if self.hottest_c is None else max(self.hottest_c, self.now_c)
