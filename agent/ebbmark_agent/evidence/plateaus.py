"""Divides a trace into plateaus of one rate each, and names the cliffs between them."""

from dataclasses import dataclass

from ebbmark_agent.evidence.trace import Trace


@dataclass(frozen=True, kw_only=True, slots=True)
class Plateau:
    """A stretch of a trace with one rate.

    Attributes:
        start_s: Where it begins [s].
        end_s: Where it ends [s].
        start_byte: Bytes written at its begin [bytes].
        end_byte: Bytes written at its end [bytes].
    """

    start_s: float
    end_s: float
    start_byte: float
    end_byte: float

    @property
    def length_s(self) -> float:
        """Give how long it lasts [s]."""
        return self.end_s - self.start_s

    @property
    def mean_bytes_per_s(self) -> float:
        """Give its mean rate, stalls included [bytes/s]."""
        return (self.end_byte - self.start_byte) / self.length_s


def plateaus(trace: Trace) -> tuple[Plateau, ...]:
    """Divide a trace into plateaus.

    Args:
        trace: The trace.

    Returns:
        The plateaus in order, without gaps; at least one.
    """
    return (Plateau(start_s=0.0, end_s=trace.duration_s, start_byte=0.0, end_byte=trace.written_bytes),)
