"""Why a probe ended before its time: it gave way, it was called off, or the drive refused."""

import errno
import os

from ebbmark_agent.report import WriteFault

# Source: errno(3) and the block layer's table blk_errors in block/blk-core.c of the Linux kernel. A medium
# error of an NVMe or SCSI drive arrives as ENODATA, a pulled USB drive as ENODEV, a pulled NVMe drive as EIO,
# a dead user-space file system as ENOTCONN, a file system that gave up after an error as EROFS.
_SAID = {
    errno.EIO: "the drive reported an input/output error, or it is gone",
    errno.ENODATA: "the drive reported a medium error",
    errno.EILSEQ: "data was damaged on its way to the drive",
    errno.EREMOTEIO: "the drive reported that it cannot do what was asked",
    errno.ENODEV: "the drive went away",
    errno.ENXIO: "the drive went away",
    errno.ENOTCONN: "what serves this volume went away",
    errno.ENOLINK: "the link to the drive broke",
    errno.ETIMEDOUT: "the drive did not answer in time",
    errno.EROFS: "the file system has turned read-only after an error",
    errno.ENOSPC: "there was no space left although the volume had said so before",
    errno.EDQUOT: "the quota of the agent's user is used up",
    errno.ESTALE: "the volume was taken away",
}


class ProbeEndedError(Exception):
    """Ends a probe from wherever it is; `run_probe` turns it into the result's outcome."""


class GaveWayError(ProbeEndedError):
    """Somebody else needs the drive."""

    def __init__(self, to: str) -> None:
        """Take the reason as a sentence."""
        self.to = to
        super().__init__(to)


class CancelledError(ProbeEndedError):
    """A person or the service called the probe off."""


class FaultError(ProbeEndedError):
    """The kernel refused a write, read or flush in the middle of the probe."""

    def __init__(self, fault: WriteFault) -> None:
        """Take the fault."""
        self.fault = fault
        super().__init__(fault.sentence)


def fault_of(error: OSError, *, operation: str, at_byte: int) -> FaultError:
    """Say what the kernel refused.

    Args:
        error: What it raised.
        operation: `write`, `read`, `flush` or `create`.
        at_byte: Where in the probe's file [bytes].
    """
    number = error.errno or 0
    name = errno.errorcode.get(number, str(number))
    said = _SAID.get(number, os.strerror(number) if number else str(error))
    return FaultError(
        WriteFault(
            operation=operation,
            errno_name=name,
            at_byte=at_byte,
            sentence=f"At byte {at_byte} the {operation} failed with {name}: {said}.",
        )
    )
