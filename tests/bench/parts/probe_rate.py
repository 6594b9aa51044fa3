"""The probe against dd: how much of dd's unbuffered rate does it reach on a drive limited to 400 MB/s?

Pairs run interleaved on one throttled loop device with the block size the probe chose. Each writes a laid-out
file of its own over from the begin, six seconds long, so that the throttle's slices even out; which of the
two goes first changes from pair to pair.
"""

import re
import subprocess
from pathlib import Path
from typing import Any

from tests.bench.results import result
from tests.rigs.curve import Curve
from tests.rigs.lock import rig_lock
from tests.rigs.loop_drive import LoopDrive, loop_drive
from tests.rigs.probing import probe_drive, traces_of

LIMIT = 400_000_000  # [bytes/s]
PAIRS = 5
BYTES = 6 * LIMIT
BAR = ">= 0.98"


def run() -> list[dict[str, Any]]:
    """Measure the pairs."""
    ratios, waited = [], []
    with rig_lock(), loop_drive(Curve.flat(LIMIT), size_bytes=6 << 30) as drive:
        _, block, _ = _probe(drive)
        for pair in range(PAIRS):
            if pair % 2:
                reference = _dd(drive.mount / "dd", block)
                rate, _, waited_s = _probe(drive)
            else:
                rate, _, waited_s = _probe(drive)
                reference = _dd(drive.mount / "dd", block)
            ratios.append(rate / reference)
            waited.append(waited_s / (BYTES / rate))
    command = "python -m tests.bench --only probe_rate"
    return [
        result(
            "probe_rate.over_dd",
            ratios,
            unit="ratio",
            bar=BAR,
            command=command,
            note=f"dd oflag=direct bs={block}, loop device limited to 400 MB/s, interleaved",
        ),
        result(
            "probe_rate.waited_for_data",
            waited,
            unit="share of the time",
            bar="<= 0.01",
            command=command,
            note="how long the probe's writes waited for their data",
        ),
    ]


def _probe(drive: LoopDrive) -> tuple[float, int, float]:
    """Probe and give the rate [bytes/s], the block size [bytes] and the time waited for data [s]."""
    found = probe_drive(drive, max_bytes=BYTES, read_back=False)
    return traces_of(found)[0].mean_bytes_per_s, found.block_bytes, found.waited_for_data_s


def _dd(path: Path, block: int) -> float:
    """Let dd write the same, unbuffered, into a laid-out file, and give its rate [bytes/s]."""
    subprocess.run(["fallocate", "-l", str(BYTES), str(path)], check=True)
    done = subprocess.run(
        [
            *("dd", "if=/dev/zero", f"of={path}", f"bs={block}", f"count={BYTES // block}"),
            *("oflag=direct", "conv=notrunc"),
        ],
        check=True,
        capture_output=True,
        text=True,
        env={"LC_ALL": "C", "PATH": "/usr/bin:/bin"},
    )
    path.unlink()
    told = re.search(r"^(\d+) bytes.* copied, ([0-9.]+) s", done.stderr, re.MULTILINE)
    assert told is not None, done.stderr
    return int(told.group(1)) / float(told.group(2))
