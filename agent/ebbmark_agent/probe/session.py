"""What one running probe holds: its files, its log, what it found; and how that becomes the result."""

import contextlib
import errno
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from ebbmark_agent.errors import (
    DriveVanishedError,
    DriveWriteError,
    NotAVolumeError,
    PathMissingError,
    PermissionMissingError,
    VolumeFullError,
    VolumeReadOnlyError,
)
from ebbmark_agent.platforms import Platform, ProbeFile, VolumeSpace
from ebbmark_agent.probe.blocks import BlockSize
from ebbmark_agent.probe.data import BlockData
from ebbmark_agent.probe.ended import fault_of
from ebbmark_agent.probe.guard import Guard
from ebbmark_agent.probe.heat import HeatRecord
from ebbmark_agent.probe.log import BlockLog
from ebbmark_agent.probe.plan import Plan
from ebbmark_agent.probe.readback import GivesReads, first_bad_byte
from ebbmark_agent.probe.request import Phase, ProbeRequest
from ebbmark_agent.probe.tidy import Tidied
from ebbmark_agent.report import (
    FileLayout,
    ProbeOutcome,
    ProbeResult,
    RehearsalFigures,
    SoakEnd,
    WriteFault,
)


@dataclass(kw_only=True)
class Session:
    """One probe under way; its kind's module moves it on, `run_probe` begins and ends it."""

    request: ProbeRequest
    platform: Platform
    guard: Guard
    heat: HeatRecord
    probe_id: str
    started_at: datetime
    begin_s: float
    space: VolumeSpace
    plan: Plan | None = None
    log: BlockLog = field(default_factory=BlockLog)
    files: list[ProbeFile] = field(default_factory=list)
    layout: FileLayout = FileLayout.APPENDED
    laid_out_bytes: int = 0
    bytes_read: int = 0
    waited_for_data_s: float = 0.0
    flush_s: float | None = None
    streams: int = 1
    read_back_ok: bool | None = None
    read_back_bad_at_byte: int | None = None
    soak_end: SoakEnd | None = None
    rehearsal: RehearsalFigures | None = None
    position: tuple[float, float] | None = None
    reads_only: bool = False

    def create_file(self, size_bytes: int, *, cached: bool = False) -> ProbeFile:
        """Create the probe file and lay it out as the request says, or as a copy does.

        Raises:
            FaultError: The kernel refused in the middle of the probe.
            OSError: It refused before anything was written.
        """
        file = self.platform.create_probe_file(self.request.folder, cached=cached)
        self.files.append(file)
        self.layout = FileLayout.APPENDED
        if not cached and self.request.layout is not FileLayout.APPENDED and file.preallocate(size_bytes):
            self.layout = FileLayout.PREALLOCATED
        return file

    def block_size(self) -> BlockSize:
        """Make what chooses the blocks' sizes."""
        return BlockSize(fixed_bytes=self.request.block_bytes)

    @contextlib.contextmanager
    def block_data(self, size: BlockSize) -> Iterator[BlockData]:
        """Make the probe's data and give the memory back afterwards."""
        data = BlockData(block_bytes=size.largest_bytes)
        try:
            yield data
        finally:
            data.close()

    def flush(self, file: ProbeFile) -> None:
        """Wait until the drive says that all is on the medium; its time is kept apart from the trace.

        Raises:
            FaultError: An earlier write turns out to have failed.
        """
        flushing = BlockLog()
        flushing.begin_segment()
        try:
            file.sync()
        except OSError as error:
            raise fault_of(error, operation="flush", at_byte=self.log.total_bytes) from error
        self.flush_s = flushing.add(0)

    def read_back(self, file: GivesReads, data: BlockData) -> None:
        """Read everything back and compare.

        Raises:
            FaultError: The kernel refused a read.
            GaveWayError: Somebody else needs the drive.
            CancelledError: The probe was called off.
        """
        if not self.request.read_back or self.log.total_bytes == 0:
            return
        self.guard.begin(Phase.READING_BACK, self.log.total_bytes)
        bytes_read, bad = first_bad_byte(file=file, data=data, blocks=self.log.blocks(), guard=self.guard)
        self.bytes_read += bytes_read
        self.read_back_ok = bad is None
        self.read_back_bad_at_byte = bad

    def note_position(self) -> None:
        """Keep where on the medium the files lie, before they go."""
        extents = [extent for file in self.files for extent in file.extents()]
        with contextlib.suppress(OSError):  # a volume that has just gone is told by what needs it next
            self.position = self.platform.medium_span(self.request.folder, tuple(extents))

    def result(
        self,
        *,
        outcome: ProbeOutcome,
        tidied: Tidied,
        duration_s: float,
        gave_way_to: str | None = None,
        fault: WriteFault | None = None,
    ) -> ProbeResult:
        """Say what the probe showed."""
        moved = self.log.total_bytes
        written = 0 if self.reads_only else moved + self.laid_out_bytes
        total = max(1, self.space.total_bytes)
        fill_start = min(1.0, max(0.0, self.space.used_share))
        return ProbeResult(
            probe_id=self.probe_id,
            kind=self.request.kind,
            started_at=self.started_at,
            duration_s=duration_s,
            outcome=outcome,
            bytes_written=written,
            bytes_read=self.bytes_read + (moved if self.reads_only else 0),
            block_bytes=self.log.largest_block_bytes,
            layout=self.layout,
            file_system=self.request.file_system,
            path=self.request.path,
            trace=self.log.documents(),
            read_back_ok=self.read_back_ok,
            read_back_bad_at_byte=self.read_back_bad_at_byte,
            gave_way_to=gave_way_to,
            soak_end=self.soak_end,
            rehearsal=self.rehearsal,
            fault=fault,
            discard=tidied.discard,
            space_returned=tidied.space_returned,
            volume_bytes=self.space.total_bytes or None,
            fill_start=fill_start,
            fill_end=fill_start if self.reads_only else min(1.0, fill_start + moved / total),
            position_start=self.position[0] if self.position else None,
            position_end=self.position[1] if self.position else None,
            rest_before_s=self.request.rest_before_s,
            temperature_start_c=self.heat.start_c,
            temperature_hottest_c=self.heat.hottest_c,
            waited_for_data_s=self.waited_for_data_s,
            flush_s=self.flush_s,
            streams=self.streams,
            by_hand=self.request.by_hand,
        )


@contextlib.contextmanager
def before_the_first_byte(request: ProbeRequest) -> Iterator[None]:
    """Turn what the system refuses before anything is written into errors a person can act on."""
    path = str(request.folder)
    try:
        yield
    except FileNotFoundError as error:
        raise PathMissingError(path=path) from error
    except NotADirectoryError as error:
        raise NotAVolumeError(path=path, reason="it is not a folder") from error
    except PermissionError as error:
        raise PermissionMissingError(what="create a probe file in", path=path) from error
    except OSError as error:
        if error.errno == errno.EROFS:
            raise VolumeReadOnlyError(path=path) from error
        if error.errno in {errno.ENOSPC, errno.EDQUOT}:
            raise VolumeFullError(path=path) from error
        if error.errno in {errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE}:
            raise DriveVanishedError(path=path) from error
        raise DriveWriteError(operation="create", path=path, error_number=error.errno or 0) from error
