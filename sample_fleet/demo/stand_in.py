"""The drive of the demonstration: a loop device that slows down past a cliff, or an ordinary folder.

The kernel's own throttle sets the rates, so what the probe says can be held against what was set.
"""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

FAST_BYTES_PER_S = 400_000_000
SLOW_BYTES_PER_S = 60_000_000
CLIFF_AT_BYTES = 1_500_000_000
REST_S = 2.0  # [s] idle after which its cache is empty again
SIZE_BYTES = 3 << 30
SOAK_BYTES = 2_100_000_000
FOLDER_SOAK_BYTES = 500_000_000


@dataclass(frozen=True, kw_only=True)
class StandIn:
    """Where the demonstration probes.

    Args:
        mount: The folder to write in.
        told: What it is, in a sentence.
        soak_bytes: How much to write [bytes].
        is_drive: Whether it is a drive of its own, with a curve that was set.
    """

    mount: Path
    told: str
    soak_bytes: int
    is_drive: bool


@contextlib.contextmanager
def stand_in(home: Path, *, folder_only: bool = False) -> Iterator[StandIn]:
    """Set the drive up and take it apart again; say so where only a folder is to be had."""
    with contextlib.ExitStack() as stack:
        found = "it was asked for so" if folder_only else _loop_drive(stack)
        yield found if isinstance(found, StandIn) else _folder(home, why=found)


def _loop_drive(stack: contextlib.ExitStack) -> StandIn | str:
    """Give the stand-in drive, or why there is none."""
    # The stand-in belongs to the tests; an installed copy without them uses a folder.
    try:
        from tests.rigs.curve import Curve
        from tests.rigs.loop_drive import NoLoopDriveError, loop_drive
        from tests.rigs.throttle import NoThrottleError
    except ImportError:
        return "the stand-in drive comes with the source tree only"
    curve = Curve.cliff(fast=FAST_BYTES_PER_S, at_bytes=CLIFF_AT_BYTES, slow=SLOW_BYTES_PER_S, rest_s=REST_S)
    try:
        drive = stack.enter_context(loop_drive(curve, size_bytes=SIZE_BYTES))
    except (NoLoopDriveError, NoThrottleError, OSError) as error:
        return str(error)
    return StandIn(
        mount=drive.mount,
        told=f"A stand-in for a real drive: {drive.device}, by the kernel's throttle "
        f"{FAST_BYTES_PER_S / 1e6:.0f} MB/s that fall to {SLOW_BYTES_PER_S / 1e6:.0f} MB/s "
        f"after {CLIFF_AT_BYTES / 1e9:g} GB.",
        soak_bytes=SOAK_BYTES,
        is_drive=True,
    )


def _folder(home: Path, *, why: str) -> StandIn:
    folder = home / "probed"
    folder.mkdir()
    return StandIn(
        mount=folder,
        told=f"No stand-in drive here ({why}), so an ordinary folder of this machine is probed: {folder}.",
        soak_bytes=FOLDER_SOAK_BYTES,
        is_drive=False,
    )
