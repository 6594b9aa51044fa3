"""What one probe gives a judgement: its figures, its trace where it is still kept, and what it reaches."""

from dataclasses import dataclass, field
from datetime import datetime

from ebbmark_agent.evidence.figures import Figures
from ebbmark_agent.evidence.probe_words import Bus, DiscardState, FileLayout, ProbeKind, ProbeOutcome, SoakEnd
from ebbmark_agent.evidence.trace import Trace


@dataclass(frozen=True, kw_only=True)
class Path:
    """The way a probe went, as plain values; rates are the link's payload ceiling [bytes/s]."""

    bus: Bus = Bus.UNKNOWN
    key: str = "unknown"
    bridge: str | None = None
    uas: bool | None = None
    link_now: str | None = None
    link_best: str | None = None
    link_now_bytes_per_s: float | None = None
    link_best_bytes_per_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class RehearsalFacts:
    """What a paced probe counted at its rate.

    Attributes:
        rate_bytes_per_s: The rate it was paced at [bytes/s].
        buffer_bytes: The buffer it granted the drive [bytes].
        frames: Frames written [1].
        late_frames: Frames that found the buffer full [1].
        high_water_bytes: The most that stood in the buffer [bytes].
        seams: Clips closed and begun anew [1].
        longest_seam_s: The longest of those [s].
    """

    rate_bytes_per_s: float
    buffer_bytes: float
    frames: int
    late_frames: int
    high_water_bytes: float
    seams: int = 0
    longest_seam_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class ProbeEvidence:
    """One probe as the judgement sees it. What is not known is None.

    Attributes:
        figures: Every figure of its trace; enough by itself for a spot.
        segments: Its traces, one between two pauses; may be empty once thinned away.
        kind: What it set out to show.
        outcome: How it ended.
        started_at: When it began, aware, UTC; its age is counted from here.
        path: The way it went.
        file_system: What it was written through.
        layout: How its file was laid out.
        soak_end: Why a soak stopped.
        capacity_bytes: Size of the volume, hence what a role that fills it will write [bytes].
        rotational: True for a disk whose outer tracks are faster.
        fill_start: Used share of the volume before [1].
        fill_end: Used share at the last byte [1].
        position_start: Where on the medium it began, 0 is outermost [1].
        position_end: Where it ended [1].
        rest_before_s: How long the drive had rested [s].
        debt_before_bytes: Bytes written before without rest or proven discard [bytes].
        discard: Whether the drive was told of the freed blocks afterwards.
        hottest_c: The hottest it became [degrees C].
        read_back_ok: Whether what was written came back the same; None: not read.
        fault: What the kernel refused, in a sentence.
        rehearsal: The counts of a rehearsal.
    """

    figures: Figures
    segments: tuple[Trace, ...] = ()
    kind: ProbeKind = ProbeKind.SOAK
    outcome: ProbeOutcome = ProbeOutcome.COMPLETED
    started_at: datetime | None = None
    path: Path = field(default_factory=Path)
    file_system: str | None = None
    layout: FileLayout | None = None
    soak_end: SoakEnd | None = None
    capacity_bytes: int | None = None
    rotational: bool | None = None
    fill_start: float | None = None
    fill_end: float | None = None
    position_start: float | None = None
    position_end: float | None = None
    rest_before_s: float | None = None
    debt_before_bytes: float = 0.0
    discard: DiscardState = DiscardState.NOT_POSSIBLE
    hottest_c: float | None = None
    read_back_ok: bool | None = None
    fault: str | None = None
    rehearsal: RehearsalFacts | None = None
