"""Why a probe ended before its time: it gave way, it was called off, or the drive refused."""

import errno
import os
from pathlib import Path

from ebbmark_agent.platforms import Platform
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
    errno.ENOSPC: "there was no space left",
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


FULL_BELOW_SHARE = 0.01  # [1] of a volume; what file systems keep back for their own tables
FULL_BELOW_BYTES = 32_000_000  # [bytes] on a small one: four of the largest blocks


def whose(fault: WriteFault, *, platform: Platform, folder: Path) -> WriteFault:
    """Say whether a refusal is the drive's, while the probe's files still hold their space.

    No space left on a volume that others have filled meanwhile, or by a quota, is no fault of the drive. No
    space left where the volume has room is: the drive, or a pool it is cut from, holds less than it said.

    Args:
        fault: What was refused.
        platform: The system's ways.
        folder: A folder on the volume.
    """
    if fault.errno_name == "EDQUOT":
        return fault.model_copy(update={"of_drive": False})
    if fault.errno_name != "ENOSPC":
        return fault
    try:
        space = platform.space(folder)
    except OSError:
        return fault
    at = f"At byte {fault.at_byte} the {fault.operation} failed with {fault.errno_name}:"
    if space.free_bytes <= max(FULL_BELOW_BYTES, FULL_BELOW_SHARE * space.total_bytes):
        filled = f"{at} others filled the volume while the probe ran. Make room and probe again."
        return fault.model_copy(update={"of_drive": False, "sentence": filled})
    room = f"{at} the drive takes no more, though its volume shows {space.free_bytes / 1e9:.2f} GB free."
    return fault.model_copy(update={"sentence": room})
