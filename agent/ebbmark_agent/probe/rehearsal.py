"""The rehearsal: writes at the role's rate with frame deadlines, a buffer and seams, as a recorder does."""

import time
from dataclasses import dataclass, field

from ebbmark_agent.errors import ConfigurationError
from ebbmark_agent.platforms import ALIGNMENT_BYTES, ProbeFile, Readable, Writable
from ebbmark_agent.probe.blocks import BLOCK_S, LARGEST_BYTES, SMALLEST_BYTES
from ebbmark_agent.probe.data import BlockData, DataRing
from ebbmark_agent.probe.ended import fault_of
from ebbmark_agent.probe.pacing import Recorder
from ebbmark_agent.probe.plan import Plan
from ebbmark_agent.probe.request import Phase, ProbeRequest
from ebbmark_agent.probe.session import Session
from ebbmark_agent.probe.writer import write_whole
from ebbmark_agent.report import RehearsalFigures

BLOCKS_A_BUFFER = 4  # [1] a recorder writes in portions that leave its buffer room
MOST_SEGMENTS = 500  # [1] all stay open to the end, so that none is deleted beside the writing


@dataclass(kw_only=True)
class Segments:
    """The files of a rehearsal, one after the other, addressed as one."""

    starts: list[int] = field(default_factory=list)
    files: list[ProbeFile] = field(default_factory=list)

    def begin(self, file: ProbeFile, at_byte: int) -> None:
        """Go on in another file."""
        self.starts.append(at_byte)
        self.files.append(file)

    def _at(self, offset_bytes: int) -> tuple[ProbeFile, int]:
        index = len([start for start in self.starts if start <= offset_bytes]) - 1
        return self.files[index], offset_bytes - self.starts[index]

    def write_at(self, data: Readable, offset_bytes: int) -> int:
        """Write where the offset lies; a block never spans two files."""
        file, at = self._at(offset_bytes)
        return file.write_at(data, at)

    def read_at(self, into: Writable, offset_bytes: int) -> int:
        """Read where the offset lies."""
        file, at = self._at(offset_bytes)
        return file.read_at(into, at)


def rehearse(session: Session, plan: Plan) -> None:
    """Record at the role's rate, then flush and read back.

    Raises:
        ConfigurationError: The request names no rate, or more seams than files can be open.
        FaultError: The kernel refused.
        GaveWayError: Somebody else needs the drive.
        CancelledError: The probe was called off.
    """
    rate = session.request.rate_bytes_per_s
    if not rate:
        raise ConfigurationError("A rehearsal needs a rate to write at: name a role, a format or a rate.")
    segment = segment_bytes(session.request, rate)
    if segment is not None and plan.file_bytes > segment * MOST_SEGMENTS:
        raise ConfigurationError(
            f"A rehearsal of {plan.file_bytes / 1e9:.0f} GB in segments of {segment / 1e6:.0f} MB has more "
            f"than {MOST_SEGMENTS} seams. Rehearse a shorter take."
        )
    recorder = Recorder(
        rate_bytes_per_s=rate,
        frames_per_s=session.request.frames_per_s,
        buffer_bytes=rate * session.request.buffer_s,
        total_bytes=plan.file_bytes,
    )
    block = block_bytes(session.request, rate)
    files = Segments()
    data = BlockData(block_bytes=block)
    try:
        seams_s = _record(session, recorder, files, data, segment or plan.file_bytes)
        session.flush(files.files[-1])
        session.note_position()
        session.rehearsal = _figures(recorder, seams_s)
        session.read_back(files, data)
    finally:
        if recorder.frames and session.rehearsal is None:
            session.rehearsal = _figures(recorder, [])
        data.close()


def _record(
    session: Session, recorder: Recorder, files: Segments, data: BlockData, segment: int
) -> list[float]:
    """Write block by block as the frames come, and give how long each seam took [s]."""
    log, guard, total = session.log, session.guard, recorder.total_bytes
    seams_s: list[float] = []
    files.begin(session.create_file(min(segment, total)), 0)
    with DataRing(data) as ring:
        guard.begin(Phase.WRITING, total)
        log.begin_segment()
        begin_s = time.monotonic()
        try:
            while log.total_bytes < total:
                at = log.total_bytes
                if at - files.starts[-1] >= segment:
                    seams_s.append(_seam(session, files, min(segment, total - at)))
                length = min(data.block_bytes, total - at, files.starts[-1] + segment - at)
                guard.wait(recorder.due_s(at + length) - (time.monotonic() - begin_s), done_bytes=at)
                write_whole(files, ring.take(), length, at)
                log.add(length)
                ring.give_back()
                recorder.completed(time.monotonic() - begin_s, log.total_bytes)
                guard.did(length)
                guard.between(log, log.total_bytes)
        finally:
            session.waited_for_data_s = ring.waited_s
    return seams_s


def _seam(session: Session, files: Segments, next_bytes: int) -> float:
    """Close one file and begin the next, as recorders do, and give how long it took [s].

    The finished file is flushed and kept open: with its last descriptor it would be deleted, which no
    recorder does between two segments.
    """
    begin = time.monotonic()
    at = session.log.total_bytes
    session.flush(files.files[-1])
    try:
        files.begin(session.create_file(next_bytes), at)
    except OSError as error:
        raise fault_of(error, operation="create", at_byte=at) from error
    return time.monotonic() - begin


def segment_bytes(request: ProbeRequest, rate: float) -> int | None:
    """Give the size of a segment [bytes], a multiple of 4096; None when the take is one file."""
    by_time = None if request.segment_s is None else rate * request.segment_s
    sizes = [size for size in (by_time, request.segment_bytes) if size]
    return max(1, int(min(sizes)) // ALIGNMENT_BYTES) * ALIGNMENT_BYTES if sizes else None


def block_bytes(request: ProbeRequest, rate: float) -> int:
    """Give the size of a write [bytes]: 50 ms of stream, and a quarter of the buffer at most."""
    if request.block_bytes is not None:
        return request.block_bytes
    longest = int(rate * min(BLOCK_S, request.buffer_s / BLOCKS_A_BUFFER))
    fitting = 1 << max(1, longest).bit_length() - 1
    return min(LARGEST_BYTES, max(SMALLEST_BYTES, fitting))


def _figures(recorder: Recorder, seams_s: list[float]) -> RehearsalFigures:
    return RehearsalFigures(
        rate_bytes_per_s=recorder.rate_bytes_per_s,
        buffer_bytes=int(recorder.buffer_bytes),
        frames=recorder.frames,
        late_frames=recorder.late_frames,
        high_water_bytes=int(recorder.high_water_bytes),
        seams=len(seams_s),
        longest_seam_s=max(seams_s, default=0.0),
    )
