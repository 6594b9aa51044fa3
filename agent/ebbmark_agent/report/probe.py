"""What a probe, a take or a write error showed: the evidence a judgement is made from."""

from typing import Annotated

from pydantic import Field, model_validator

from ebbmark_agent.evidence.probe_words import DiscardState, FileLayout, ProbeKind, ProbeOutcome, SoakEnd
from ebbmark_agent.report._base import (
    Celsius,
    Code,
    Counter,
    Id,
    Instant,
    Name,
    Rate,
    Seconds,
    Sentence,
    Share,
    WireModel,
)
from ebbmark_agent.report.drive import PathFacts

MAX_TRACE_POINTS = 20_000  # [1] a 200 GB soak thins to fewer; more is refused


StepUs = Annotated[int, Field(ge=0, le=10**12)]
StepBytes = Annotated[int, Field(ge=0, le=10**15)]


class TraceDocument(WireModel):
    """Version 1 of a trace: step i took `step_us[i]` microseconds and moved `step_bytes[i]` bytes.

    A probe that paused (for heat) has one document a segment; `starts_after_s` counts from the first.
    """

    version: int = Field(default=1, ge=1, le=1)
    starts_after_s: Seconds = 0.0
    step_us: tuple[StepUs, ...] = Field(max_length=MAX_TRACE_POINTS)
    step_bytes: tuple[StepBytes, ...] = Field(max_length=MAX_TRACE_POINTS)

    @model_validator(mode="after")
    def _equally_long(self) -> "TraceDocument":
        if len(self.step_us) != len(self.step_bytes):
            raise ValueError("step_us and step_bytes must be equally long")
        return self


class RehearsalFigures(WireModel):
    """What a paced probe counts: frames that came late and how full the recorder's buffer got."""

    rate_bytes_per_s: Rate
    buffer_bytes: Counter
    frames: Counter
    late_frames: Counter
    high_water_bytes: Counter
    seams: Counter
    longest_seam_s: Seconds


class WriteFault(WireModel):
    """A write, read or flush that the kernel refused in the middle of a probe.

    It is a finding about the drive, unless others have filled the volume or a quota ended: `of_drive` tells.
    """

    operation: Code
    errno_name: Name
    at_byte: Counter
    sentence: Sentence
    of_drive: bool = True


class ProbeResult(WireModel):
    """One probe from start to tidy-up. Its trace is the evidence; every figure can be derived from it."""

    probe_id: Id
    kind: ProbeKind
    started_at: Instant
    duration_s: Seconds
    outcome: ProbeOutcome
    bytes_written: Counter
    bytes_read: Counter = 0
    block_bytes: Counter
    layout: FileLayout
    file_system: Name
    path: PathFacts
    trace: tuple[TraceDocument, ...] = Field(max_length=64)
    read_back_ok: bool | None = None
    read_back_bad_at_byte: Counter | None = None
    gave_way_to: Sentence | None = None
    soak_end: SoakEnd | None = None
    rehearsal: RehearsalFigures | None = None
    fault: WriteFault | None = None
    discard: DiscardState = DiscardState.NOT_POSSIBLE
    space_returned: bool | None = None
    volume_bytes: Counter | None = Field(default=None, description="[bytes] size of the volume it ran on.")
    fill_start: Share | None = Field(default=None, description="[1] used share of the volume before.")
    fill_end: Share | None = Field(default=None, description="[1] used share at the last byte.")
    position_start: Share | None = Field(default=None, description="[1] of the medium, 0 is outermost.")
    position_end: Share | None = None
    rest_before_s: Seconds | None = None
    temperature_start_c: Celsius | None = None
    temperature_hottest_c: Celsius | None = None
    waited_for_data_s: Seconds = 0.0
    flush_s: Seconds | None = Field(default=None, description="[s] the flush after the last block.")
    streams: Counter = Field(default=1, description="[1] files read or written at once.")
    by_hand: bool = False

    @property
    def drive_fault(self) -> WriteFault | None:
        """What the drive itself refused; None where a full volume or a quota did."""
        return self.fault if self.fault is not None and self.fault.of_drive else None


class TakeFacts(WireModel):
    """A real recording as the disk's counters saw it, at 1 Hz: evidence of reach at no wear.

    A medium read at offload is told in the `read_` fields alone, with nothing written.
    """

    take_id: Id
    started_at: Instant
    duration_s: Seconds
    written_bytes: Counter
    mean_bytes_per_s: Rate
    peak_bytes_per_s: Rate
    busy_share: Share | None = Field(default=None, description="[1] None where the system does not count it.")
    saturated: bool
    saturated_floor_bytes_per_s: Rate | None = None
    path: PathFacts
    fill_start: Share | None = None
    read_bytes: Counter = 0
    read_mean_bytes_per_s: Rate | None = None
    read_peak_bytes_per_s: Rate | None = None


class FindingFacts(WireModel):
    """Something that was found and must never be dropped: a write fault, wrong read-back, a left-over."""

    code: Code
    found_at: Instant
    sentence: Sentence
    fault: WriteFault | None = None
    probe_id: Id | None = None
