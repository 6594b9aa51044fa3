"""The floor a demand is judged by, and the traces it is read from: alike before and after thinning."""

from collections.abc import Sequence
from dataclasses import replace

from ebbmark_agent.evidence.demand import Demand
from ebbmark_agent.evidence.floor import Floor, floor
from ebbmark_agent.evidence.howlong import coarse_traces
from ebbmark_agent.evidence.probe_evidence import ProbeEvidence
from ebbmark_agent.evidence.probe_words import ProbeKind
from ebbmark_agent.evidence.slowest_end import slowest_end_bytes_per_s
from ebbmark_agent.evidence.trace import Trace

ROUNDING = 1e-9  # [1]
REPLAYED_POINTS = 4000  # [1] thinning keeps every figure within 0.5 %, and a house has a thousand formats


def replayed_traces(evidence: ProbeEvidence) -> tuple[Trace, ...]:
    """Give what is judged: of a spot its figures, so that thinning it changes nothing, else its traces.

    The seconds in which a disk spins up or a file is begun are left out: a recorder starts before its take.
    """
    if evidence.kind is ProbeKind.SPOT or not evidence.segments:
        return coarse_traces(evidence.figures)
    return tuple(
        trace.after(read.ramp_s).thinned(REPLAYED_POINTS)
        for trace, read in zip(evidence.segments, evidence.figures.segments, strict=True)
    )


def judged_floor(evidence: ProbeEvidence, demand: Demand, traces: Sequence[Trace]) -> Floor | None:
    """Find the floor that a demand is judged by.

    Args:
        evidence: The probe.
        demand: What is asked. Where it grants rest before a take, only what one take writes counts; where it
            limits the take, only windows up to its length.
        traces: What `replayed_traces` gave for the evidence.

    Returns:
        The floor of the segment that decides; None where nothing longer than the buffer was written.
    """
    if demand.buffer_s >= evidence.figures.duration_s:
        return None
    take_s, buffer_bytes = demand.take_s, demand.buffer_bytes
    if demand.rest_before_take_s is not None and demand.take_bytes is not None:
        stretch = _first_bytes(traces[0], demand.take_bytes * demand.headroom)
        return _guarded(floor(stretch, buffer_bytes=buffer_bytes), [stretch])
    if take_s is None:
        return _guarded(evidence.figures.floor(buffer_bytes=buffer_bytes), traces)
    if evidence.kind is ProbeKind.SPOT or not evidence.segments:
        return evidence.figures.floor(buffer_bytes=buffer_bytes)
    floors = [floor(each, buffer_bytes=buffer_bytes, take_s=take_s) for each in traces]
    return min(floors, key=lambda each: each.bytes_per_s)


def carries(floor_bytes_per_s: float, asked_bytes_per_s: float) -> bool:
    """Tell whether a floor carries a rate [bytes/s]; what only rounding tells apart is equal."""
    return floor_bytes_per_s >= asked_bytes_per_s * (1.0 - ROUNDING)


def _guarded(found: Floor, traces: Sequence[Trace]) -> Floor:
    """Let the floor be no more than the traces' slowest end, which no change point has a say in."""
    slowest = min(slowest_end_bytes_per_s(each) for each in traces)
    return replace(found, bytes_per_s=min(found.bytes_per_s, slowest))


def _first_bytes(trace: Trace, wanted_bytes: float) -> Trace:
    """Give the front of a trace that holds the wanted bytes, or all of it where it is shorter."""
    if trace.written_bytes <= wanted_bytes:
        return trace
    at = next(index for index, total in enumerate(trace.total_bytes) if total >= wanted_bytes)
    before_s, before_byte = trace.times_s[at - 1], trace.total_bytes[at - 1]
    share = (wanted_bytes - before_byte) / (trace.total_bytes[at] - before_byte)
    end_s = before_s + share * (trace.times_s[at] - before_s)
    return Trace.from_points((*trace.times_s[:at], end_s), (*trace.total_bytes[:at], wanted_bytes))
