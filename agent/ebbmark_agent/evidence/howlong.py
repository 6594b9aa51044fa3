"""How long a drive carries a demand: its trace replayed by bytes under a recorder that never pauses.

Rules.

1. A block of n bytes that took d seconds, under a recorder of R bytes/s with Q bytes waiting, leaves
   Q' = max(0, Q + R d - n) waiting. The recorder's clock gains what it recorded meanwhile over its rate,
   (n + Q' - Q) / R: that is d while bytes wait, n / R while none do. Frames are lost when Q > B.
2. It is the worst case: while the recorder waits for its own next frame a real drive could tidy up, and here
   it does not.
3. Bytes the drive owes from before (a debt) are skipped at the front: that much of its cache is spent.
4. Over a pause nothing is joined: only the first segment proves anything, later ones can only show a loss.

Source: own; with one cliff at C bytes and a floor f it is C/R + B/(R - f).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ebbmark_agent.evidence.demand import Demand
from ebbmark_agent.evidence.figures import Figures, SegmentFigures
from ebbmark_agent.evidence.plateaus import Plateau
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_minutes
from ebbmark_agent.evidence.standing import HowLong, MinutesKind
from ebbmark_agent.evidence.trace import Trace
from ebbmark_agent.evidence.windows import Window

_SLACK_BYTES = 1e-3  # [bytes] below a byte only rounding tells "just full" from "over"


@dataclass(frozen=True, kw_only=True)
class Replay:
    """What a recorder would have met on a trace.

    Attributes:
        lost_at_s: Recorder time at which the buffer ran over [s]; None: it never did.
        recorded_s: Recorder time replayed [s], to the loss or to the trace's end.
        at_byte: Bytes of the trace taken by then, those skipped included [bytes].
        high_water_bytes: The most that waited [bytes].
    """

    lost_at_s: float | None
    recorded_s: float
    at_byte: float
    high_water_bytes: float


def replay(trace: Trace, *, rate_bytes_per_s: float, buffer_bytes: float, skip_bytes: float = 0.0) -> Replay:
    """Replay a trace under a constant rate.

    Args:
        trace: The drive's trace.
        rate_bytes_per_s: The recorder's rate [bytes/s].
        buffer_bytes: What it can hold back [bytes].
        skip_bytes: Bytes at the trace's front that are already spent [bytes].

    Returns:
        The first loss, or how far it went without one.

    Raises:
        ValueError: If the rate is not above zero.
    """
    if rate_bytes_per_s <= 0:
        raise ValueError(
            f"a recorder of {rate_bytes_per_s:g} bytes/s records nothing; give a rate above zero"
        )
    waiting = high_water = clock_s = 0.0
    at_byte = min(skip_bytes, trace.written_bytes)
    for moved, took_s in _steps(trace, skip_bytes):
        after = max(0.0, waiting + rate_bytes_per_s * took_s - moved)
        high_water = max(high_water, after)
        if after > buffer_bytes + _SLACK_BYTES:
            rise = rate_bytes_per_s - moved / took_s  # [bytes/s], above zero: more waits than before
            lost_s = (buffer_bytes - waiting) / rise
            return Replay(
                lost_at_s=clock_s + lost_s,
                recorded_s=clock_s + lost_s,
                at_byte=at_byte + moved * lost_s / took_s,
                high_water_bytes=high_water,
            )
        clock_s += (moved + after - waiting) / rate_bytes_per_s
        at_byte += moved
        waiting = after
    return Replay(lost_at_s=None, recorded_s=clock_s, at_byte=at_byte, high_water_bytes=high_water)


def _steps(trace: Trace, skip_bytes: float) -> Iterator[tuple[float, float]]:
    """Give each step past the skipped bytes: what it moved [bytes] and how long it took [s]."""
    before_s, before_byte = trace.times_s[0], trace.total_bytes[0]
    for at_s, at_byte in zip(trace.times_s[1:], trace.total_bytes[1:], strict=True):
        moved, took_s = at_byte - before_byte, at_s - before_s
        if before_byte >= skip_bytes:
            yield moved, took_s
        elif at_byte > skip_bytes:
            skipped = skip_bytes - before_byte
            yield moved - skipped, took_s * (1.0 - skipped / moved)
        before_s, before_byte = at_s, at_byte


def coarse_traces(figures: Figures) -> tuple[Trace, ...]:
    """Give the trace that a probe's figures still hold: its plateaus' edges and its critical windows'.

    Args:
        figures: The figures of a probe.

    Returns:
        One trace a segment, from the end of its ramp on. Every point of it lies on the full trace, so the
        floor for every buffer is kept.
    """
    return tuple(_coarse(segment) for segment in figures.segments)


def _coarse(segment: SegmentFigures) -> Trace:
    points = {(segment.duration_s, float(segment.written_bytes))}
    stretches: list[Plateau | Window] = [*segment.plateaus, *segment.windows]
    for stretch in stretches:
        points.add((stretch.start_s, float(stretch.start_byte)))
        points.add((stretch.end_s, float(stretch.end_byte)))
    start_s, start_byte = segment.ramp_s, float(segment.plateaus[0].start_byte)
    times, totals = [0.0], [0.0]
    for at_s, at_byte in sorted(points):
        if at_s - start_s > times[-1] and at_byte - start_byte >= totals[-1]:
            times.append(at_s - start_s)
            totals.append(at_byte - start_byte)
    return Trace.from_points(times, totals)


def how_long(
    segments: Trace | Sequence[Trace], demand: Demand, *, debt_bytes: float = 0.0, unlimited: bool = False
) -> HowLong:
    """Tell for how many minutes of recording a drive carries a demand, from where its trace begins.

    Args:
        segments: The traces, one between two pauses, or a single trace.
        demand: What is asked.
        debt_bytes: What the drive owes from before [bytes]; the first bytes of the trace are then spent.
        unlimited: The trace is settled and its floor carries the demand, so that the end of the trace is not
            the end of the proof. Who calls knows.

    Returns:
        Lost after so many minutes, proven for so many, or unlimited.

    Raises:
        ValueError: If there is no trace.
    """
    traces = [segments] if isinstance(segments, Trace) else list(segments)
    if not traces:
        raise ValueError("there is no trace to replay; a spot's is gone once thinned, use its figures")
    rate = demand.demand_bytes_per_s
    found = [
        replay(
            trace,
            rate_bytes_per_s=rate,
            buffer_bytes=demand.buffer_bytes,
            skip_bytes=debt_bytes if index == 0 else 0.0,
        )
        for index, trace in enumerate(traces)
    ]
    before_s = before_bytes = 0.0
    for each, trace in zip(found, traces, strict=True):
        if each.lost_at_s is not None:
            return _lost(before_s + each.lost_at_s, before_bytes + each.at_byte, debt_bytes)
        before_s += each.recorded_s
        before_bytes += trace.written_bytes
    if unlimited:
        return HowLong(
            kind=MinutesKind.UNLIMITED,
            minutes=None,
            sentence="no end: settled, and the floor carries the demand",
        )
    return _proven(found[0], pauses=len(traces) - 1, debt_bytes=debt_bytes)


def _lost(lost_s: float, at_byte: float, debt_bytes: float) -> HowLong:
    owed = f", with {spoken_bytes(debt_bytes)} still owed" if debt_bytes else ""
    return HowLong(
        kind=MinutesKind.LOST_AFTER,
        minutes=lost_s / 60,
        at_byte=at_byte,
        sentence=f"frames lost after {spoken_minutes(lost_s / 60)}, at {spoken_bytes(at_byte)}{owed}",
    )


def _proven(first: Replay, *, pauses: int, debt_bytes: float) -> HowLong:
    until = f" up to the first of {pauses} pauses" if pauses else ""
    owed = f", with {spoken_bytes(debt_bytes)} still owed" if debt_bytes else ""
    minutes = first.recorded_s / 60
    return HowLong(
        kind=MinutesKind.PROVEN_FOR,
        minutes=minutes,
        at_byte=first.at_byte,
        sentence=f"proven for {spoken_minutes(minutes)}{until}{owed}; nothing is known beyond",
    )
