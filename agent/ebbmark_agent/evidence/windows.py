"""Finds the window of a trace that limits a constant rate most, for one buffer or for every buffer at once.

A recorder writes R bytes/s and can hold back B bytes. It loses data iff some window of the trace has
R * length > bytes + B, so the highest rate carried is the least (bytes + B) / length of all windows.

1. Times and totals rise together, start at (0, 0) and are linear between points, so the least ratio is
   found on windows that start and end at points.
2. For a trial rate one pass finds the window with the largest backlog R * length - bytes; if that is
   more than the buffer, the window's own ratio is the next, lower trial rate. Passes are few and linear.
3. Arithmetic is that of the numbers handed in: floats in use, exact fractions in tests.

Source: J.-Y. Le Boudec, P. Thiran, Network Calculus, LNCS 2050, 2001 (backlog bound); W. Dinkelbach, On
nonlinear fractional programming, Management Science 13 (7), 1967; D. V. Lindley, 1952 (the recursion).
"""

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ebbmark_agent.evidence.points import interpolate

LEAST_WEIGHT = 0.1  # [1] own: keeps the number of windows small where almost nothing was written


@dataclass(frozen=True, kw_only=True, slots=True)
class Window:
    """A stretch of a trace.

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
        """Give the window's length [s]."""
        return self.end_s - self.start_s

    @property
    def moved_bytes(self) -> float:
        """Give the bytes written within the window [bytes]."""
        return self.end_byte - self.start_byte

    def carries(self, buffer_bytes: float) -> float:
        """Give the highest rate this window alone allows.

        Args:
            buffer_bytes: What the recorder can hold back [bytes].

        Returns:
            The rate [bytes/s].
        """
        return (self.moved_bytes + buffer_bytes) / self.length_s

    def moved_by(self, offset_s: float, offset_bytes: float) -> "Window":
        """Give the same window on a trace that began earlier.

        Args:
            offset_s: How much earlier [s].
            offset_bytes: What had been written in between [bytes].

        Returns:
            The window.
        """
        if not offset_s:
            return self
        return Window(
            start_s=self.start_s + offset_s,
            end_s=self.end_s + offset_s,
            start_byte=self.start_byte + offset_bytes,
            end_byte=self.end_byte + offset_bytes,
        )


def largest_backlog(
    times: Sequence[float], totals: Sequence[float], rate_bytes_per_s: float
) -> tuple[float, Window]:
    """Find the window in which a recorder at a constant rate falls behind most.

    Args:
        times: Completion times, rising [s].
        totals: Bytes written by then, never falling [bytes].
        rate_bytes_per_s: The recorder's rate [bytes/s].

    Returns:
        The backlog [bytes], which may be negative where every step outruns the rate, and its window.
    """
    low = rate_bytes_per_s * times[0] - totals[0]
    from_s, from_byte = times[0], totals[0]
    points = zip(times, totals, strict=True)
    next(points)
    worst: float | None = None
    worst_start = worst_start_byte = worst_end = worst_end_byte = times[0]
    for at_s, at_byte in points:
        ahead = rate_bytes_per_s * at_s - at_byte
        if worst is None or ahead - low > worst:
            worst = ahead - low
            worst_start, worst_start_byte, worst_end, worst_end_byte = from_s, from_byte, at_s, at_byte
        if ahead < low:
            low, from_s, from_byte = ahead, at_s, at_byte
    assert worst is not None
    return worst, Window(
        start_s=worst_start, end_s=worst_end, start_byte=worst_start_byte, end_byte=worst_end_byte
    )


def whole(times: Sequence[float], totals: Sequence[float]) -> Window:
    """Give the window that spans the whole trace."""
    return Window(start_s=times[0], end_s=times[-1], start_byte=totals[0], end_byte=totals[-1])


def slowest_step(times: Sequence[float], totals: Sequence[float]) -> Window:
    """Find the single step with the lowest rate: what limits a recorder without any buffer."""
    best = 1
    best_rate = (totals[1] - totals[0]) / (times[1] - times[0])
    before_s, before_byte = times[0], totals[0]
    for index, (at_s, at_byte) in enumerate(zip(times, totals, strict=True)):
        if index == 0:
            continue
        rate = (at_byte - before_byte) / (at_s - before_s)
        if rate < best_rate:
            best, best_rate = index, rate
        before_s, before_byte = at_s, at_byte
    return Window(
        start_s=times[best - 1], end_s=times[best], start_byte=totals[best - 1], end_byte=totals[best]
    )


def tightest_for_bytes(
    times: Sequence[float], totals: Sequence[float], buffer_bytes: float, first: Window | None = None
) -> Window:
    """Find the window that limits the rate most for a buffer in bytes.

    Args:
        times: Completion times, rising [s].
        totals: Bytes written by then, never falling [bytes].
        buffer_bytes: What the recorder can hold back [bytes].
        first: A window known to limit the rate well, to start from; the whole trace without.

    Returns:
        A window with the least (bytes + buffer) / length.
    """
    if not buffer_bytes:
        return slowest_step(times, totals)
    tightest = first or whole(times, totals)
    rate = tightest.carries(buffer_bytes)
    while True:
        _, window = largest_backlog(times, totals, rate)
        lower = window.carries(buffer_bytes)
        if lower >= rate:
            return tightest
        tightest, rate = window, lower


def tightest_for_seconds(
    times: Sequence[float], totals: Sequence[float], buffer_s: float
) -> tuple[Window, float] | None:
    """Find the window that limits the rate most for a buffer in seconds of stream.

    Args:
        times: Completion times, rising [s].
        totals: Bytes written by then, never falling [bytes].
        buffer_s: What the recorder can hold back, in seconds of its own stream [s].

    Returns:
        The window and the rate it allows [bytes/s]; None where no window is longer than the buffer.
    """
    if times[-1] - times[0] <= buffer_s:
        return None
    if not buffer_s:
        slowest = slowest_step(times, totals)
        return slowest, slowest.carries(0)
    tightest = whole(times, totals)
    rate = tightest.moved_bytes / (tightest.length_s - buffer_s)
    while True:
        _, window = largest_backlog(times, totals, rate)
        if window.length_s <= buffer_s:
            return tightest, rate
        lower = window.moved_bytes / (window.length_s - buffer_s)
        if lower >= rate:
            return tightest, rate
        tightest, rate = window, lower


def tightest_within(
    times: Sequence[float], totals: Sequence[float], longest_s: float, buffer_bytes: float, buffer_s: float
) -> tuple[Window, float] | None:
    """Find the window that limits the rate most among those no longer than a take.

    Args:
        times: Completion times, rising [s].
        totals: Bytes written by then, never falling [bytes].
        longest_s: The take's length [s].
        buffer_bytes: What the recorder can hold back [bytes].
        buffer_s: The same in seconds of its own stream, in addition [s].

    Returns:
        The window and the rate it allows [bytes/s]; None where every such window is within the buffer.
    """
    longest_s = min(longest_s, times[-1] - times[0])
    if longest_s <= buffer_s:
        return None
    grid_s, grid_bytes = _with_edges(times, totals, longest_s)
    tightest = Window(
        start_s=0.0, end_s=longest_s, start_byte=0.0, end_byte=interpolate(times, totals, longest_s)
    )
    rate = (tightest.moved_bytes + buffer_bytes) / (tightest.length_s - buffer_s)
    while True:
        window = _largest_backlog_within(grid_s, grid_bytes, rate, longest_s)
        if window.length_s <= buffer_s:
            return tightest, rate
        lower = (window.moved_bytes + buffer_bytes) / (window.length_s - buffer_s)
        if lower >= rate:
            return tightest, rate
        tightest, rate = window, lower


def envelope(times: Sequence[float], totals: Sequence[float], tolerance: float = 1e-3) -> tuple[Window, ...]:
    """Find the few windows that limit the rate for every buffer, from none to endless.

    The buffer a rate needs is the largest backlog over all windows, rate * length - bytes: convex in the rate
    and made of straight pieces. Where the lines of two found windows cross, one pass finds what is needed at
    that rate; a window that needs more goes between the two, until none does by more than the tolerance.

    Args:
        times: Completion times, rising [s].
        totals: Bytes written by then, never falling [bytes].
        tolerance: By how much the curve of the found windows may lie above the true one [1].

    Returns:
        Windows from the shortest to the whole trace.
    """
    shortest, longest = slowest_step(times, totals), whole(times, totals)
    found = [shortest, longest]
    spans = [(shortest, longest)]
    while spans:
        left, right = spans.pop()
        if right.length_s <= left.length_s:
            continue
        rate = (right.moved_bytes - left.moved_bytes) / (right.length_s - left.length_s)
        crossing_bytes = rate * left.length_s - left.moved_bytes
        if crossing_bytes <= 0:
            continue
        needed_bytes, middle = largest_backlog(times, totals, rate)
        # for the same buffer in seconds a miss weighs more, by length over length less buffer
        weight = max(LEAST_WEIGHT, left.moved_bytes / (left.moved_bytes + crossing_bytes))
        # no window between the two is shorter than the left one, so the rate is off by no more than this
        if (needed_bytes - crossing_bytes) / left.length_s <= rate * tolerance * weight:
            continue
        found.append(middle)
        spans += [(left, middle), (middle, right)]
    return tuple(sorted(found, key=lambda window: window.length_s))


def _with_edges(
    times: Sequence[float], totals: Sequence[float], longest_s: float
) -> tuple[list[float], list[float]]:
    """Add the points one take's length after and before each point, so that rule 1 holds for takes too."""
    end_s = times[-1]
    later = (at_s + longest_s for at_s in times if at_s + longest_s < end_s)
    earlier = (at_s - longest_s for at_s in times if at_s - longest_s > 0)
    grid_s = sorted({*times, *later, *earlier})
    return grid_s, list(_interpolated(times, totals, grid_s))


def _interpolated(times: Sequence[float], totals: Sequence[float], at: Sequence[float]) -> Iterator[float]:
    index = 1
    for at_s in at:
        while times[index] < at_s and index < len(times) - 1:
            index += 1
        span_s = times[index] - times[index - 1]
        share = (at_s - times[index - 1]) / span_s
        yield totals[index - 1] + (totals[index] - totals[index - 1]) * share


def _largest_backlog_within(
    times: Sequence[float], totals: Sequence[float], rate_bytes_per_s: float, longest_s: float
) -> Window:
    lowest: deque[tuple[float, float, float]] = deque()  # (ahead, time, total), lowest first, rising
    worst = float("-inf")
    found = (0.0, 0.0, times[1], totals[1])
    slack_s = longest_s * 1e-12  # the grid's own rounding
    for at_s, at_byte in zip(times, totals, strict=True):
        ahead = rate_bytes_per_s * at_s - at_byte
        while lowest and lowest[0][1] < at_s - longest_s - slack_s:
            lowest.popleft()
        if lowest and ahead - lowest[0][0] > worst:
            worst = ahead - lowest[0][0]
            found = (lowest[0][1], lowest[0][2], at_s, at_byte)
        while lowest and lowest[-1][0] >= ahead:
            lowest.pop()
        lowest.append((ahead, at_s, at_byte))
    return Window(start_s=found[0], start_byte=found[1], end_s=found[2], end_byte=found[3])
