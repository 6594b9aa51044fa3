"""How much a probe writes: what was asked for, within what it may and what the volume has room for."""

from dataclasses import dataclass

from ebbmark_agent.errors import TooFewBytesError, VolumeFullError
from ebbmark_agent.platforms import ALIGNMENT_BYTES, VolumeSpace
from ebbmark_agent.probe.request import SPOT_BYTES, ProbeRequest
from ebbmark_agent.report import FileLayout, ProbeKind

KEEP_FREE_SHARE = 0.01  # [1] a probe by hand leaves this much of the volume free; automatic ones leave more
KEEP_FREE_BYTES = 256_000_000  # [bytes] and at least this
SMALLEST_PROBE_BYTES = 1 << 20  # [bytes] fewer show nothing


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a probe will write.

    Attributes:
        file_bytes: Size of the probe file [bytes].
        written_bytes: Bytes written in all: the overwritten layout writes its file twice [bytes].
        whole_medium: Whether that is all the room the volume has for the probe.
    """

    file_bytes: int
    written_bytes: int
    whole_medium: bool


def plan(request: ProbeRequest, space: VolumeSpace) -> Plan:
    """Say how much a probe writes.

    Args:
        request: What is asked for.
        space: The room on the volume.

    Returns:
        The plan; sizes are multiples of 4096 bytes.

    Raises:
        VolumeFullError: There is no room for the smallest probe.
        TooFewBytesError: Fewer bytes are allowed than a probe needs.
    """
    passes = 2 if request.layout is FileLayout.OVERWRITTEN else 1
    if request.max_bytes is not None and request.max_bytes < passes * ALIGNMENT_BYTES:
        raise TooFewBytesError(max_bytes=request.max_bytes, least_bytes=passes * ALIGNMENT_BYTES)
    room = space.free_bytes - keep_free(request, space)
    wanted = _wanted(request, room)
    capped = wanted if request.max_bytes is None else min(wanted, request.max_bytes // passes)
    file_bytes = min(capped, room) // ALIGNMENT_BYTES * ALIGNMENT_BYTES
    if file_bytes < min(SMALLEST_PROBE_BYTES, request.max_bytes or SMALLEST_PROBE_BYTES) or file_bytes <= 0:
        raise VolumeFullError(
            path=str(request.folder),
            free_bytes=space.free_bytes,
            needed_bytes=min(wanted, SPOT_BYTES) + space.free_bytes - room,
        )
    return Plan(
        file_bytes=file_bytes,
        written_bytes=file_bytes * passes,
        whole_medium=file_bytes >= room // ALIGNMENT_BYTES * ALIGNMENT_BYTES,
    )


def keep_free(request: ProbeRequest, space: VolumeSpace) -> int:
    """Give the room a probe leaves on the volume [bytes]."""
    if request.keep_free_bytes is not None:
        return request.keep_free_bytes
    return min(max(KEEP_FREE_BYTES, int(space.total_bytes * KEEP_FREE_SHARE)), space.total_bytes // 10)


def _wanted(request: ProbeRequest, room: int) -> int:
    if request.kind is ProbeKind.SOAK:
        return room
    if request.kind is ProbeKind.REHEARSAL and request.rate_bytes_per_s is not None:
        return int(request.rate_bytes_per_s * request.duration_s) if request.duration_s else room
    return request.max_bytes or SPOT_BYTES
