"""Every figure of one probe, read once from its trace and small enough to keep for good.

A probe that paused has one segment for each stretch of writing. Segments are never joined across a gap:
where they differ, the least of them counts, but a segment of less than a second counts only where there
is no longer one. A start-up (a disk spinning up, the first allocation) is named and left out of the floor.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

from ebbmark_agent.evidence.floor import Floor, capped_floor, check_buffer, seconds_of
from ebbmark_agent.evidence.patterns import Pattern, pattern_of
from ebbmark_agent.evidence.plateaus import Division, Plateau, divide
from ebbmark_agent.evidence.spread import Spread, spread
from ebbmark_agent.evidence.stalls import Stall, Stalls, sum_up
from ebbmark_agent.evidence.steady import Settling, SteadyState, settling
from ebbmark_agent.evidence.trace import Trace
from ebbmark_agent.evidence.windows import Window, envelope

FIGURES_VERSION = 1
SHORTEST_SEGMENT_S = 1.0  # [s] own: ten slices of a throttle
BUFFERS_S = (0.0, 0.1, 0.2, 0.5, 1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0)  # [s] of stream
BUFFERS_BYTES = (0, 64_000_000, 256_000_000, 1_000_000_000, 4_000_000_000)  # [bytes]


@dataclass(frozen=True, kw_only=True, slots=True)
class Cliff:
    """A step down of the rate that lasts.

    Attributes:
        at_bytes: Bytes written since the probe's begin when it came [bytes].
        at_s: Seconds of writing since the probe's begin [s].
        before_bytes_per_s: The mean rate of the plateau before [bytes/s].
        after_bytes_per_s: The mean rate of the plateau after [bytes/s].
    """

    at_bytes: float
    at_s: float
    before_bytes_per_s: float
    after_bytes_per_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SegmentFigures:
    """What one uninterrupted stretch of writing showed.

    Attributes:
        offset_bytes: Bytes written in the segments before [bytes].
        offset_s: Seconds of writing in the segments before [s].
        duration_s: How long it lasted [s].
        written_bytes: What it wrote [bytes].
        ramp_s: How long the start-up took before the first plateau; 0 without one [s].
        plateaus: Its plateaus, by its own times and bytes.
        lasting_bytes_per_s: The rate that lasts: the mean of its last plateau [bytes/s].
        windows: The windows after the start-up that set the floor for every buffer, shortest first.
        settling: Whether its last plateau held steady.
    """

    offset_bytes: float
    offset_s: float
    duration_s: float
    written_bytes: float
    ramp_s: float
    plateaus: tuple[Plateau, ...]
    lasting_bytes_per_s: float
    windows: tuple[Window, ...]
    settling: Settling

    @property
    def mean_bytes_per_s(self) -> float:
        """Give the mean rate after the start-up [bytes/s]."""
        return (self.written_bytes - self.plateaus[0].start_byte) / (self.duration_s - self.ramp_s)

    def floor(self, *, buffer_bytes: float | None = None, buffer_s: float | None = None) -> Floor:
        """Give the segment's floor for a buffer.

        Args:
            buffer_bytes: What the recorder can hold back [bytes].
            buffer_s: The same in seconds of its own stream, instead [s].

        Returns:
            The floor, within 0.1 % of the trace's own.

        Raises:
            ValueError: Not exactly one buffer is given, or it is negative or no number.
        """
        check_buffer(buffer_bytes, buffer_s)
        found: list[tuple[float, Window]] = []
        for window in self.windows:
            if buffer_bytes is not None:
                found.append((window.carries(buffer_bytes), window))
            elif buffer_s is not None and window.length_s > buffer_s:
                found.append((window.moved_bytes / (window.length_s - buffer_s), window))
        asked_s = (
            buffer_s if buffer_s is not None else seconds_of(buffer_bytes or 0.0, self.lasting_bytes_per_s)
        )
        steady = self.settling.steady
        tightest = min(found, key=lambda pair: pair[0], default=None)
        return capped_floor(
            None if tightest is None else (tightest[1], tightest[0]),
            start_s=self.ramp_s,
            end_s=self.duration_s,
            mean_bytes_per_s=self.mean_bytes_per_s,
            lasting_bytes_per_s=self.lasting_bytes_per_s,
            settled=steady is not None and steady.held and (steady.round_s or 0.0) >= asked_s,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Figures:
    """Every figure of one probe.

    Attributes:
        segments: One for each uninterrupted stretch of writing, in order.
        cliffs: Where the rate stepped down for good, in order, by the probe's own bytes.
        stalls: The stalls of all segments.
        spread: How the rate varies over the last plateau of the deciding segment.
        pattern: The shape of the longest segment.
        version: The form of this record [1].
    """

    segments: tuple[SegmentFigures, ...]
    cliffs: tuple[Cliff, ...]
    stalls: Stalls
    spread: Spread
    pattern: Pattern
    version: int = FIGURES_VERSION

    @property
    def duration_s(self) -> float:
        """Give how long was written, pauses left out [s]."""
        return sum(segment.duration_s for segment in self.segments)

    @property
    def total_bytes(self) -> float:
        """Give how much was written [bytes]."""
        return sum(segment.written_bytes for segment in self.segments)

    @property
    def mean_bytes_per_s(self) -> float:
        """Give the mean rate while writing [bytes/s]."""
        return self.total_bytes / self.duration_s

    @property
    def lasting_bytes_per_s(self) -> float:
        """Give the least mean of a segment's last plateau [bytes/s]."""
        return min(segment.lasting_bytes_per_s for segment in self.counting)

    @property
    def counting(self) -> tuple[SegmentFigures, ...]:
        """Give the segments that count: those of a second or more, or all where there is none."""
        long_enough = tuple(segment for segment in self.segments if segment.duration_s >= SHORTEST_SEGMENT_S)
        return long_enough or self.segments

    @property
    def ramp_s(self) -> float:
        """Give how long the first segment's start-up took [s]."""
        return self.segments[0].ramp_s

    @property
    def steady(self) -> SteadyState | None:
        """Give the steady-state numbers of the last segment long enough to have them, or None."""
        tested = [segment.settling.steady for segment in self.counting if segment.settling.steady]
        return tested[-1] if tested else None

    def floor(self, *, buffer_bytes: float | None = None, buffer_s: float | None = None) -> Floor:
        """Give the probe's floor for a buffer: the least of its segments' floors.

        Args:
            buffer_bytes: What the recorder can hold back [bytes].
            buffer_s: The same in seconds of its own stream, instead [s].

        Returns:
            The floor of the segment that decides.

        Raises:
            ValueError: Not exactly one buffer is given, or it is negative or no number.
        """
        floors = [segment.floor(buffer_bytes=buffer_bytes, buffer_s=buffer_s) for segment in self.counting]
        return min(floors, key=lambda found: found.bytes_per_s)

    def floor_over_seconds(self, buffers_s: Sequence[float] = BUFFERS_S) -> tuple[tuple[float, Floor], ...]:
        """Give the floor for each of several buffers in seconds of stream.

        Args:
            buffers_s: The buffers [s].

        Returns:
            (buffer [s], floor) in the order given.
        """
        return tuple((buffer_s, self.floor(buffer_s=buffer_s)) for buffer_s in buffers_s)

    def floor_over_bytes(
        self, buffers_bytes: Sequence[float] = BUFFERS_BYTES
    ) -> tuple[tuple[float, Floor], ...]:
        """Give the floor for each of several buffers in bytes.

        Args:
            buffers_bytes: The buffers [bytes].

        Returns:
            (buffer [bytes], floor) in the order given.
        """
        return tuple((buffer_bytes, self.floor(buffer_bytes=buffer_bytes)) for buffer_bytes in buffers_bytes)

    def to_json_object(self) -> dict[str, Any]:
        """Give the record as plain JSON values."""
        return asdict(self)

    @classmethod
    def from_json_object(cls, document: Mapping[str, Any]) -> "Figures":
        """Read a record back.

        Args:
            document: What `to_json_object` gave, after any way through JSON.

        Returns:
            The same figures.

        Raises:
            ValueError: The document is of a later version or lacks a part.
        """
        from ebbmark_agent.evidence.figures_document import read_figures

        return read_figures(document)


def read_trace(segments: Sequence[Trace], *, buffer_s: float = 1.0, rotating: bool | None = None) -> Figures:
    """Read every figure of one probe from its trace.

    Args:
        segments: One trace for each uninterrupted stretch of writing, in order.
        buffer_s: The buffer that rounds of the steady-state test may not be shorter than [s].
        rotating: Whether the drive is a rotating disk, where that is known; it names a slide only.

    Returns:
        The figures. They are the same whether read before or after the traces were thinned.

    Raises:
        ValueError: There is no segment.
    """
    if not segments:
        raise ValueError("a probe without any segment has no figures; it wrote nothing")
    thinned = [segment.thinned() for segment in segments]
    divisions = [divide(segment) for segment in thinned]
    read: list[SegmentFigures] = []
    offset_bytes = offset_s = 0.0
    for segment, division in zip(thinned, divisions, strict=True):
        read.append(_read_segment(segment, division, offset_bytes, offset_s, buffer_s))
        offset_bytes += segment.written_bytes
        offset_s += segment.duration_s
    deciding = min(range(len(read)), key=lambda index: _order(read[index]))
    longest = max(range(len(read)), key=lambda index: read[index].duration_s)
    last = read[deciding].plateaus[-1]
    return Figures(
        segments=tuple(read),
        cliffs=tuple(cliff for part in read for cliff in _cliffs(part)),
        stalls=sum_up(
            [
                stall
                for part, division in zip(read, divisions, strict=True)
                for stall in _moved(part, division)
            ]
        ),
        spread=spread(thinned[deciding], last.start_s, last.end_s),
        pattern=pattern_of(thinned[longest], divisions[longest], rotating),
    )


def _order(segment: SegmentFigures) -> tuple[bool, float]:
    return segment.duration_s < SHORTEST_SEGMENT_S, segment.lasting_bytes_per_s


def _read_segment(
    segment: Trace, division: Division, offset_bytes: float, offset_s: float, buffer_s: float
) -> SegmentFigures:
    rest = segment.after(division.ramp_s)
    start_byte = division.plateaus[0].start_byte
    found = envelope(rest.times_s, rest.total_bytes)
    return SegmentFigures(
        offset_bytes=offset_bytes,
        offset_s=offset_s,
        duration_s=segment.duration_s,
        written_bytes=segment.written_bytes,
        ramp_s=division.ramp_s,
        plateaus=division.plateaus,
        lasting_bytes_per_s=division.lasting_bytes_per_s,
        windows=tuple(window.moved_by(division.ramp_s, start_byte) for window in found),
        settling=settling(segment, division.plateaus[-1], buffer_s),
    )


def _moved(segment: SegmentFigures, division: Division) -> list[Stall]:
    return [
        Stall(
            start_s=stall.start_s + segment.offset_s,
            length_s=stall.length_s,
            at_byte=stall.at_byte + segment.offset_bytes,
        )
        for stall in division.stalls
    ]


def _cliffs(segment: SegmentFigures) -> list[Cliff]:
    return [
        Cliff(
            at_bytes=segment.offset_bytes + after.start_byte,
            at_s=segment.offset_s + after.start_s,
            before_bytes_per_s=before.mean_bytes_per_s,
            after_bytes_per_s=after.mean_bytes_per_s,
        )
        for before, after in pairwise(segment.plateaus)
        if after.after_cliff
    ]
