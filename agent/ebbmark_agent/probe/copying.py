"""The copy test: one big file copied through the file system, as a person at an edit machine would feel it.

The page cache takes part, as it does in any copy, but never holds more than a few portions that the disk
has not got yet: the rate is the drive's through its file system, not the memory's. The last flush counts.
"""

import contextlib
import mmap
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from ebbmark_agent.evidence import Trace
from ebbmark_agent.platforms import ProbeFile
from ebbmark_agent.probe.data import BlockData
from ebbmark_agent.probe.ended import fault_of
from ebbmark_agent.probe.plan import Plan
from ebbmark_agent.probe.request import Phase
from ebbmark_agent.probe.session import Session
from ebbmark_agent.probe.writer import write_whole

PORTION_BYTES = 8 << 20  # [bytes] what a file manager copies at once; common practice, no source
PORTIONS_AHEAD = 2  # [1] portions the disk may be behind
Portions = Callable[[int, int], tuple[mmap.mmap, int]]
DROP_OVER_S = 1.0  # [s] a drop shorter than this is not felt


def copy(session: Session, plan: Plan) -> None:
    """Copy, then flush.

    Raises:
        FaultError: The kernel refused.
        GaveWayError: Somebody else needs the drive.
        CancelledError: The probe was called off.
    """
    file = session.create_file(plan.file_bytes, cached=True)
    log, guard = session.log, session.guard
    guard.begin(Phase.WRITING, plan.file_bytes)
    with _source(session) as portion_of:
        log.begin_segment()
        behind: list[tuple[int, int]] = []
        offered = number = 0
        while offered < plan.file_bytes:
            portion, length = portion_of(number, min(PORTION_BYTES, plan.file_bytes - offered))
            if length == 0:
                break
            write_whole(file, portion, length, offered)
            behind.append((offered, length))
            offered, number = offered + length, number + 1
            if len(behind) > PORTIONS_AHEAD:
                _wait_for(session, file, *behind.pop(0))
            guard.between(log, log.total_bytes, in_flight_bytes=offered - log.total_bytes)
        session.flush(file)
        for _, length in behind:
            log.add(length)
    session.note_position()


def _wait_for(session: Session, file: ProbeFile, offset: int, length: int) -> None:
    try:
        file.write_out(offset, length)
    except OSError as error:
        raise fault_of(error, operation="write", at_byte=offset) from error
    session.log.add(length)
    session.guard.did(length)


@contextlib.contextmanager
def _source(session: Session) -> Iterator[Portions]:
    """Give what hands out the portions: of the file to copy, or made-up ones."""
    if session.request.source is not None:
        with session.request.source.open("rb", buffering=0) as opened, mmap.mmap(-1, PORTION_BYTES) as buffer:

            def read(number: int, length: int) -> tuple[mmap.mmap, int]:
                del number
                with memoryview(buffer) as view, view[:length] as part:
                    return buffer, opened.readinto(part) or 0

            yield read
        return
    data = BlockData(block_bytes=PORTION_BYTES)
    try:
        yield lambda number, length: (data.make(number), length)
    finally:
        data.close()


@dataclass(frozen=True, kw_only=True)
class Drop:
    """Where a copy was slowest over a second.

    Attributes:
        at_byte: Where it began [bytes].
        rate_bytes_per_s: How fast it was there [bytes/s].
        below_mean: By what share it fell below the mean [1].
    """

    at_byte: float
    rate_bytes_per_s: float
    below_mean: float


def largest_drop(trace: Trace, *, over_s: float = DROP_OVER_S) -> Drop | None:
    """Find the slowest stretch of a trace.

    Args:
        trace: The copy's trace.
        over_s: The stretch's length [s].

    Returns:
        The drop; None where the copy was over sooner.
    """
    if trace.duration_s <= over_s:
        return None
    starts = [at_s for at_s in trace.times_s if at_s + over_s <= trace.duration_s]
    starts.append(trace.duration_s - over_s)
    moved = {at_s: trace.bytes_at(at_s + over_s) - trace.bytes_at(at_s) for at_s in starts}
    slowest = min(moved, key=lambda at_s: moved[at_s])
    rate = moved[slowest] / over_s
    return Drop(
        at_byte=trace.bytes_at(slowest),
        rate_bytes_per_s=rate,
        below_mean=1 - rate / trace.mean_bytes_per_s,
    )
