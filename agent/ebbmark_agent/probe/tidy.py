"""Leaves the volume as it was: closes the file, has its blocks discarded and sees the space come back.

Discard is `proven` when the disk itself counted it, `asked` when the system took the request, and
`not_possible` otherwise. Space that does not come back is held by something, most often a snapshot.
"""

import contextlib
import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from ebbmark_agent.platforms import Extent, Platform, ProbeFile
from ebbmark_agent.report import DiscardState

SPACE_RETURNS_WITHIN_S = 10.0  # [s] file systems free in the background; common practice, no source
_LOOK_EVERY_S = 0.1  # [s]
PROVEN_SHARE = 0.95  # [1] of the probe's bytes that the disk must have counted; ends round to its granularity
HELD_SHARE = 0.1  # [1] of the probe's bytes; less than this missing is other files growing
HELD_BYTES = 64_000_000  # [bytes] and at least this


@dataclass(frozen=True, kw_only=True)
class Tidied:
    """How far the volume is as it was."""

    discard: DiscardState
    space_returned: bool | None


def tidy(
    *,
    platform: Platform,
    folder: Path,
    files: Iterable[ProbeFile],
    disks: tuple[str, ...],
    written_bytes: int,
    free_before_bytes: int,
    quietly: bool,
) -> Tidied:
    """Close the files, discard their blocks and look for the space.

    Args:
        platform: The system's ways.
        folder: A folder on the volume.
        files: The probe's files.
        disks: Kernel names of the disks beneath, whose counters prove a discard.
        written_bytes: What the files hold [bytes].
        free_before_bytes: Room before the probe [bytes].
        quietly: Close the files and ask nothing else of the drive.

    Returns:
        What can be said.
    """
    counted_before = _discarded(platform, disks)
    extents: list[Extent] = []
    released = False
    for file in files:
        # A drive that is gone refuses these too; what it refused first is what is told.
        with contextlib.suppress(OSError):
            if not quietly:
                extents.extend(file.extents())
                released = file.release(written_bytes) or released
        with contextlib.suppress(OSError):
            file.close()
    if quietly or written_bytes == 0:
        return Tidied(discard=DiscardState.NOT_POSSIBLE, space_returned=None)
    returned = space_returns(
        platform=platform, folder=folder, written_bytes=written_bytes, free_before_bytes=free_before_bytes
    )
    asked = platform.discard_extents(folder, tuple(extents))
    counted_after = _discarded(platform, disks)
    enough = PROVEN_SHARE * written_bytes
    if asked is not None and asked >= enough and _rose_by(counted_before, counted_after, enough):
        return Tidied(discard=DiscardState.PROVEN, space_returned=returned)
    state = DiscardState.ASKED if asked or released else DiscardState.NOT_POSSIBLE
    return Tidied(discard=state, space_returned=returned)


def space_returns(
    *, platform: Platform, folder: Path, written_bytes: int, free_before_bytes: int
) -> bool | None:
    """Wait for the freed space, as long as a file system may take in the background.

    Returns:
        False when it did not come back in time; None when the volume cannot be asked any more.
    """
    tolerated = max(HELD_SHARE * written_bytes, min(HELD_BYTES, written_bytes // 2))
    deadline = time.monotonic() + SPACE_RETURNS_WITHIN_S
    pause = threading.Event()
    while True:
        try:
            platform.settle_space(folder)
            if platform.space(folder).free_bytes >= free_before_bytes - tolerated:
                return True
        except OSError:
            return None
        if time.monotonic() >= deadline:
            return False
        pause.wait(_LOOK_EVERY_S)


def _rose_by(before: int | None, after: int | None, by: float) -> bool:
    return before is not None and after is not None and after - before >= by


def _discarded(platform: Platform, disks: tuple[str, ...]) -> int | None:
    """Sum what the disks were told is free; None where one does not count it."""
    total = 0
    for disk in disks:
        counters = platform.disk_counters(disk)
        if counters is None or counters.discarded_bytes is None:
            return None
        total += counters.discarded_bytes
    return total if disks else None
