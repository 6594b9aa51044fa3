"""Drives a throttle along a curve from a process of its own, and cleans the rig up when its owner dies.

Started by `LoopDrive`: `python -m tests.rigs.supervisor CONFIG.json`. It reads the loop device's counters
every 2 ms, rewrites the limit where the curve says so, and logs as JSON lines what it did and what the
device took in: the truth.
A new curve is taken over when the curve file changes. It ends when its standard input closes, which also
happens when the owner is killed.
"""

import json
import os
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, TextIO

from tests.rigs.curve import Curve
from tests.rigs.throttle import Knob

POLL_S = 0.002
WITNESS_S = 0.02  # [s] how often the bytes taken in are logged while they grow


class Supervisor:
    """Keeps one device's limit on its curve."""

    def __init__(self, config: dict[str, Any], log: TextIO) -> None:
        """Take the rig's facts and where to log."""
        self.knob = Knob(Path(config["group"]), version=config["version"])
        self.number = config["number"]
        self.counters = Path(f"/sys/block/{config['name']}/stat")
        self.curve_file = Path(config["curve"])
        self.log = log
        self.limit_now: int | None = None
        self.curve_seen = 0
        self.take_curve()

    def say(self, event: str, **facts: object) -> None:
        """Log an event with the monotonic time."""
        self.log.write(json.dumps({"at_s": time.monotonic(), "event": event, **facts}) + "\n")

    def read(self) -> tuple[int, int]:
        """Give bytes written (completed) and requests in flight."""
        fields = self.counters.read_text().split()
        return int(fields[6]) * 512, int(fields[8])

    def take_curve(self) -> None:
        """Begin a curve at its start."""
        self.curve_seen = self.curve_file.stat().st_mtime_ns
        self.curve = Curve.from_json(self.curve_file.read_text())
        self.base, _ = self.read()
        self.last_written, self.last_write_s = self.base, time.monotonic()
        self.logged_bytes, self.logged_s = self.looked_bytes, self.looked_s = 0, self.last_write_s
        self.active_since: float | None = None
        self.next_stall_s: float | None = None
        self.set_limit(self.curve.rate_at(0), 0)
        self.say("curve", bytes_per_s=self.limit_now)

    def set_limit(self, bytes_per_s: int, written: int) -> None:
        """Change the limit when it is another."""
        if bytes_per_s != self.limit_now:
            self.knob.limit(self.number, bytes_per_s)
            self.limit_now = bytes_per_s
            self.say("limit", bytes_per_s=bytes_per_s, at_bytes=written)

    def step(self) -> None:
        """Look once and do what the curve says."""
        if self.curve_file.stat().st_mtime_ns != self.curve_seen:
            self.take_curve()
        total, in_flight = self.read()
        now = time.monotonic()
        if total != self.last_written or in_flight:
            if self.active_since is None:
                self.active_since = now
                self.next_stall_s = now + self.curve.stall_every_s if self.curve.stall_every_s else None
            self.last_written, self.last_write_s = total, now
        elif (
            self.curve.rest_s
            and self.active_since is not None
            and now - self.last_write_s > self.curve.rest_s
        ):
            self.active_since, self.next_stall_s, self.base = None, None, total
            self.say("rested")
        written = total - self.base
        self.witness(written, now)
        if self.next_stall_s is not None and now >= self.next_stall_s and in_flight:
            self.stall(written)
        else:
            self.set_limit(self.curve.rate_at(written), written)

    def witness(self, written: int, now: float) -> None:
        """Log the bytes taken in, now and then while they grow, and the last moment before they grew."""
        idle = self.looked_bytes == self.logged_bytes
        if written != self.logged_bytes and (idle or now - self.logged_s >= WITNESS_S):
            if idle:
                self.say("written", at_bytes=self.looked_bytes, at_s=self.looked_s)
            self.say("written", at_bytes=written, at_s=now)
            self.logged_bytes, self.logged_s = written, now
        self.looked_bytes, self.looked_s = written, now

    def stall(self, written: int) -> None:
        """Let nothing through for a while."""
        self.set_limit(1, written)
        self.say("stall", at_bytes=written)
        end = time.monotonic() + self.curve.stall_for_s
        while (left := end - time.monotonic()) > 0:
            time.sleep(min(0.01, left))
        self.set_limit(self.curve.rate_at(written), written)
        self.say("resume", at_bytes=self.read()[0] - self.base)
        self.next_stall_s = time.monotonic() + self.curve.stall_every_s


def clean_up(config: dict[str, Any]) -> None:
    """Take the rig apart: the limit, the mount, the loop device, the files."""
    try:
        Knob(Path(config["group"]), version=config["version"]).limit(config["number"], 0)
    except OSError as error:
        print(f"the limit could not be taken off: {error}", file=sys.stderr)
    if os.path.ismount(config["mount"]):
        subprocess.run(["umount", "-l", config["mount"]], check=False, capture_output=True)
    subprocess.run(["losetup", "-d", config["device"]], check=False, capture_output=True)
    shutil.rmtree(config["folder"], ignore_errors=True)


def main() -> None:
    """Run until standard input closes, then clean up."""
    config = json.loads(Path(sys.argv[1]).read_text())
    try:
        with Path(config["log"]).open("w", buffering=1) as log:
            supervisor = Supervisor(config, log)
            print("ready", flush=True)
            while not select.select([sys.stdin], [], [], POLL_S)[0]:
                supervisor.step()
    finally:
        clean_up(config)


if __name__ == "__main__":
    main()
