"""The greedy writer: the next block is always ready, each goes past the page cache, each is timed."""

import errno
from collections.abc import Callable
from mmap import mmap
from typing import Protocol

from ebbmark_agent.platforms import ALIGNMENT_BYTES, ProbeFile, Readable
from ebbmark_agent.probe.blocks import BlockSize
from ebbmark_agent.probe.data import DataRing
from ebbmark_agent.probe.ended import fault_of
from ebbmark_agent.probe.guard import Guard
from ebbmark_agent.probe.log import BlockLog


def write_greedily(
    *,
    file: ProbeFile,
    ring: DataRing,
    size: BlockSize,
    log: BlockLog,
    guard: Guard,
    until_bytes: int,
    enough: Callable[[], bool] | None = None,
) -> None:
    """Write on from where the log stands until a total is reached or it is enough.

    Args:
        file: Where to write.
        ring: Where the blocks come from, in step with the log.
        size: Chooses the blocks' sizes.
        log: Takes each block; its last segment has begun.
        guard: Is asked after each block.
        until_bytes: The log's total to reach [bytes], a multiple of 4096.
        enough: Asked after each block; a soak ends or pauses by it.

    Raises:
        FaultError: The kernel refused; the log holds what was written before.
        GaveWayError: Somebody else needs the drive.
        CancelledError: The probe was called off.
    """
    while log.total_bytes < until_bytes:
        length = min(size.bytes, until_bytes - log.total_bytes)
        block = ring.take()
        write_whole(file, block, length, log.total_bytes)
        took_s = log.add(length)
        ring.give_back()
        size.took(took_s, length)
        guard.did(length)
        guard.between(log, log.total_bytes)
        if enough is not None and enough():
            return


class TakesWrites(Protocol):
    """A file, or several addressed as one."""

    def write_at(self, data: Readable, offset_bytes: int) -> int:
        """Write at an offset and give the bytes taken."""


def write_whole(file: TakesWrites, block: mmap, length_bytes: int, offset_bytes: int) -> None:
    """Write the first bytes of a block, in as many calls as the kernel wants.

    Raises:
        FaultError: It refused part of it; the fault says at which byte.
    """
    done = 0
    with memoryview(block) as whole:
        while done < length_bytes:
            try:
                with whole[done:length_bytes] as rest:
                    taken = file.write_at(rest, offset_bytes + done)
                if taken == 0:
                    raise OSError(errno.EIO, "nothing was taken")
            except OSError as error:
                raise fault_of(error, operation="write", at_byte=offset_bytes + done) from error
            done += taken
            if done < length_bytes:
                # Some file systems stop short of a full disk in mid-page; unbuffered writes go on at a page.
                done -= done % ALIGNMENT_BYTES
