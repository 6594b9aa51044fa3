"""The floor: the highest constant rate that a recorder with a buffer could have kept up over a trace.

The bare minimum of the definition needs three limits to be honest. It is never quoted above the mean; nor
above the lasting rate, because a buffer adds B/L over a finite length L only; and for a take of known
length only windows up to that length count.
"""

import math
from dataclasses import dataclass

from ebbmark_agent.evidence.plateaus import divide
from ebbmark_agent.evidence.steady import settling
from ebbmark_agent.evidence.trace import Trace
from ebbmark_agent.evidence.windows import (
    Window,
    tightest_for_bytes,
    tightest_for_seconds,
    tightest_within,
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Floor:
    """The floor of one trace for one buffer, with the limits of what was shown.

    Attributes:
        bytes_per_s: The floor: the least of the three rates below [bytes/s].
        uncapped_bytes_per_s: The bare minimum over all windows [bytes/s]; None where no window is longer
            than the buffer.
        mean_bytes_per_s: The mean of the whole trace [bytes/s].
        lasting_bytes_per_s: The mean of the last plateau, a doubtful corner left out [bytes/s].
        window_s: Where the critical window begins and ends [s]; None where there is none.
        window_bytes: The same by bytes written [bytes].
        limited_by_length: The critical window is the whole trace or missing: a longer trace may show less.
        window_touches_end: The critical window ends with the trace: a longer trace may show less.
        settled: The last plateau held steady by the five-round test, with rounds no shorter than the
            buffer. It says nothing about what lies beyond the trace.
    """

    bytes_per_s: float
    uncapped_bytes_per_s: float | None
    mean_bytes_per_s: float
    lasting_bytes_per_s: float
    window_s: tuple[float, float] | None
    window_bytes: tuple[float, float] | None
    limited_by_length: bool
    window_touches_end: bool
    settled: bool


def floor(
    trace: Trace,
    *,
    buffer_bytes: float | None = None,
    buffer_s: float | None = None,
    take_s: float | None = None,
) -> Floor:
    """Find the floor of a trace for a recorder's buffer.

    Args:
        trace: The trace of a writer that always had the next block ready.
        buffer_bytes: What the recorder can hold back [bytes]. Zero gives the slowest single step.
        buffer_s: The same in seconds of its own stream, instead [s].
        take_s: The longest take; only windows up to it count [s]. Without, takes are endless.

    Returns:
        The floor with its critical window and remarks.

    Raises:
        ValueError: Not exactly one buffer is given, or a value is negative or no number.

    Source: own derivation from the backlog bound; Le Boudec, Thiran, Network Calculus, 2001, theorem 1.4.1.
    """
    check_buffer(buffer_bytes, buffer_s)
    if take_s is not None and not (math.isfinite(take_s) and take_s > 0):
        raise ValueError(f"a take must last longer than 0 s, got {take_s}")
    found = _tightest(trace, buffer_bytes, buffer_s, take_s)
    division = divide(trace)
    lasting = division.lasting_bytes_per_s
    asked_s = buffer_s if buffer_s is not None else seconds_of(buffer_bytes or 0.0, lasting)
    return capped_floor(
        found,
        end_s=trace.duration_s,
        mean_bytes_per_s=trace.mean_bytes_per_s,
        lasting_bytes_per_s=lasting,
        settled=settling(trace, division.plateaus[-1], asked_s).held,
    )


def capped_floor(
    found: tuple[Window, float] | None,
    *,
    end_s: float,
    mean_bytes_per_s: float,
    lasting_bytes_per_s: float,
    settled: bool,
    start_s: float = 0.0,
) -> Floor:
    """Put the limits to a critical window that was found for a trace.

    Args:
        found: The window and the rate it allows [bytes/s]; None where no window is longer than the buffer.
        end_s: Where the trace ends [s].
        mean_bytes_per_s: Its mean [bytes/s].
        lasting_bytes_per_s: The mean of its last plateau [bytes/s].
        settled: Whether that plateau held steady.
        start_s: Where windows may begin at the earliest [s].

    Returns:
        The floor.
    """
    limit = min(mean_bytes_per_s, lasting_bytes_per_s)
    if found is None:
        return Floor(
            bytes_per_s=limit,
            uncapped_bytes_per_s=None,
            mean_bytes_per_s=mean_bytes_per_s,
            lasting_bytes_per_s=lasting_bytes_per_s,
            window_s=None,
            window_bytes=None,
            limited_by_length=True,
            window_touches_end=False,
            settled=settled,
        )
    window, rate = found
    touches_end = window.end_s >= end_s
    return Floor(
        bytes_per_s=min(rate, limit),
        uncapped_bytes_per_s=rate,
        mean_bytes_per_s=mean_bytes_per_s,
        lasting_bytes_per_s=lasting_bytes_per_s,
        window_s=(window.start_s, window.end_s),
        window_bytes=(window.start_byte, window.end_byte),
        limited_by_length=touches_end and window.start_s <= start_s,
        window_touches_end=touches_end,
        settled=settled,
    )


def check_buffer(buffer_bytes: float | None, buffer_s: float | None) -> None:
    """Refuse a buffer that is none.

    Args:
        buffer_bytes: In bytes, or None [bytes].
        buffer_s: In seconds of stream, or None [s].

    Raises:
        ValueError: Not exactly one is given, or it is negative or no number.
    """
    if (buffer_bytes is None) == (buffer_s is None):
        raise ValueError("give the buffer either in bytes or in seconds of stream, and only once")
    for value, unit in ((buffer_bytes, "bytes"), (buffer_s, "s")):
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise ValueError(f"a buffer must be a finite number of at least 0 {unit}, got {value}")


def seconds_of(buffer_bytes: float, rate_bytes_per_s: float) -> float:
    """Give how long a rate needs to fill a buffer [s]; endless at no rate.

    Args:
        buffer_bytes: The buffer [bytes].
        rate_bytes_per_s: The rate [bytes/s].
    """
    if not buffer_bytes:
        return 0.0
    return buffer_bytes / rate_bytes_per_s if rate_bytes_per_s > 0 else math.inf


def _tightest(
    trace: Trace, buffer_bytes: float | None, buffer_s: float | None, take_s: float | None
) -> tuple[Window, float] | None:
    times, totals = trace.times_s, trace.total_bytes
    if buffer_s is not None:
        found = tightest_for_seconds(times, totals, buffer_s)
    else:
        window = tightest_for_bytes(times, totals, buffer_bytes or 0.0)
        found = window, window.carries(buffer_bytes or 0.0)
    if take_s is None or found is None or found[0].length_s <= take_s:
        return found
    return tightest_within(times, totals, take_s, buffer_bytes or 0.0, buffer_s or 0.0)
