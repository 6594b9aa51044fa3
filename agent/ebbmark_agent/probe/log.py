"""The log of a probe's blocks: how long each took, from the last completion to its own, and what it moved."""

import time
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from ebbmark_agent.evidence import Trace
from ebbmark_agent.report import TraceDocument

COARSE_NS = 500_000_000  # [ns] 20 steps in the shortest round that can settle
MOST_POINTS = 12_000  # [1] of all segments together in a report


@dataclass(frozen=True, kw_only=True)
class Block:
    """One block as it was written: its running number, where and how long."""

    number: int
    offset_bytes: int
    length_bytes: int


class BlockLog:
    """Grows by one entry a block; a pause begins a new segment, whose clock starts afresh."""

    def __init__(self) -> None:
        """Begin empty."""
        self._step_ns = array("Q")
        self._lengths = array("Q")
        self._segments: list[tuple[int, int]] = []  # first block, start [ns]
        self._last_ns = 0
        self._coarse_ns = array("Q")
        self._coarse_bytes = array("Q")
        self._gathered_ns = self._gathered_bytes = 0
        self.total_bytes = 0

    def begin_segment(self) -> None:
        """Start the clock, at the probe's begin and after each pause."""
        self._last_ns = time.perf_counter_ns()
        self._segments.append((len(self._lengths), self._last_ns))
        self._coarse_ns, self._coarse_bytes = array("Q"), array("Q")
        self._gathered_ns = self._gathered_bytes = 0

    def add(self, length_bytes: int) -> float:
        """Enter a block that has just completed and give how long it took [s]."""
        now = time.perf_counter_ns()
        step = now - self._last_ns
        self._last_ns = now
        self._step_ns.append(step)
        self._lengths.append(length_bytes)
        self.total_bytes += length_bytes
        self._gathered_ns += step
        self._gathered_bytes += length_bytes
        if self._gathered_ns >= COARSE_NS:
            self._coarse_bytes.append(self._gathered_bytes)
            self._coarse_ns.append(self._gathered_ns)
            self._gathered_ns = self._gathered_bytes = 0
        return step / 1e9

    def __len__(self) -> int:
        return len(self._lengths)

    @property
    def elapsed_s(self) -> float:
        """Give the time from the first block's start to the last one's completion, pauses included [s]."""
        return (self._last_ns - self._segments[0][1]) / 1e9 if self._segments else 0.0

    @property
    def largest_block_bytes(self) -> int:
        """Give the size of the largest block [bytes]."""
        return max(self._lengths, default=0)

    def rate_now(self, over_s: float = 1.0) -> float:
        """Give the rate over the last stretch of writing [bytes/s]."""
        moved, took_ns = 0, 0
        for index in range(len(self._lengths) - 1, -1, -1):
            moved += self._lengths[index]
            took_ns += self._step_ns[index]
            if took_ns >= over_s * 1e9:
                break
        return moved / (took_ns / 1e9) if took_ns else 0.0

    @property
    def segments(self) -> int:
        """Give how many segments have begun [1]."""
        return len(self._segments)

    def coarse_steps(self) -> tuple[list[int], list[int]]:
        """Give the present segment in steps of about half a second: lengths [us] and bytes.

        May be called from another thread while blocks are being added.
        """
        lengths_ns, moved = self._coarse_ns, self._coarse_bytes
        count = len(lengths_ns)  # the bytes are appended first, so there are at least as many
        return [step // 1000 for step in lengths_ns[:count]], list(moved[:count])

    def blocks(self) -> Iterator[Block]:
        """Go through the blocks in the order of writing."""
        offset = 0
        for number, length in enumerate(self._lengths):
            yield Block(number=number, offset_bytes=offset, length_bytes=length)
            offset += length

    def steps(self) -> list[tuple[list[int], list[int]]]:
        """Give each segment's steps: lengths [us] and bytes.

        Microseconds are rounded on the running total, so that no error adds up.
        """
        bounds = [first for first, _ in self._segments] + [len(self._lengths)]
        segments = []
        for first, beyond in pairwise(bounds):
            elapsed_ns = marked_us = 0
            step_us = []
            for step in self._step_ns[first:beyond]:
                elapsed_ns += step
                mark = elapsed_ns // 1000
                step_us.append(mark - marked_us)
                marked_us = mark
            segments.append((step_us, list(self._lengths[first:beyond])))
        return segments

    def documents(self, most_points: int = MOST_POINTS) -> tuple[TraceDocument, ...]:
        """Give the trace for the report, thinned where it is long; segments without a block are left out."""
        segments = [
            (start_ns, step_us, lengths)
            for (_, start_ns), (step_us, lengths) in zip(self._segments, self.steps(), strict=True)
            if lengths and sum(step_us)
        ]
        return tuple(
            self._document(step_us, lengths, (start_ns - segments[0][0]) / 1e9, most_points)
            for start_ns, step_us, lengths in segments
        )

    def _document(
        self, step_us: list[int], lengths: list[int], starts_after_s: float, most_points: int
    ) -> TraceDocument:
        """Thin one segment to its share of the points."""
        share = max(200, most_points * len(lengths) // max(1, len(self._lengths)))
        if len(lengths) > share:
            step_us, lengths = Trace.from_steps(step_us, lengths).to_steps(max_points=share)
        return TraceDocument(starts_after_s=starts_after_s, step_us=tuple(step_us), step_bytes=tuple(lengths))
