"""One door per operating system: plain modules behind a small Protocol, and the one place that picks."""

import sys

from ebbmark_agent.errors import PlatformUnsupportedError
from ebbmark_agent.platforms import linux, macos, windows
from ebbmark_agent.platforms._port import (
    ALIGNMENT_BYTES,
    PROBE_FOLDER,
    DiskCounters,
    Extent,
    OpenWriter,
    Platform,
    ProbeFile,
    Readable,
    VolumeSpace,
    Writable,
)

__all__ = [
    "ALIGNMENT_BYTES",
    "PLATFORMS",
    "PROBE_FOLDER",
    "DiskCounters",
    "Extent",
    "OpenWriter",
    "Platform",
    "ProbeFile",
    "Readable",
    "VolumeSpace",
    "Writable",
    "this_platform",
]

PLATFORMS: dict[str, Platform] = {"linux": linux, "darwin": macos, "win32": windows}


def this_platform() -> Platform:
    """Give the module for the system this process runs on.

    Raises:
        PlatformUnsupportedError: It is none of the three.
    """
    try:
        return PLATFORMS[sys.platform]
    except KeyError:
        raise PlatformUnsupportedError(what="Probing", system=sys.platform) from None
