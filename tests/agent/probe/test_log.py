"""The block log: steps from completion to completion, segments, thinning for the report."""

import pytest
from ebbmark_agent.evidence import Trace, read_trace
from ebbmark_agent.probe.log import Block, BlockLog

MEBIBYTE = 1 << 20


def test_steps_add_up_to_the_time_and_the_bytes() -> None:
    """Microseconds are rounded on the running total, so roundings do not add up over a thousand steps."""
    log = BlockLog()
    log.begin_segment()
    for _ in range(1000):
        log.add(MEBIBYTE)
    ((step_us, step_bytes),) = log.steps()

    assert sum(step_bytes) == log.total_bytes == 1000 * MEBIBYTE
    assert sum(step_us) == pytest.approx(log.elapsed_s * 1e6, abs=1.0)


def test_a_pause_belongs_to_no_segment() -> None:
    """Each segment has its own steps; the second says when it began after the first."""
    log = BlockLog()
    for blocks in (3, 2):
        log.begin_segment()
        for _ in range(blocks):
            for _ in range(2000):  # let some microseconds pass
                pass
            log.add(MEBIBYTE)
    first, second = log.documents()

    assert (len(first.step_bytes), len(second.step_bytes)) == (3, 2)
    assert first.starts_after_s == 0.0
    assert second.starts_after_s >= sum(first.step_us) / 1e6


def test_a_segment_without_a_block_is_left_out() -> None:
    """A probe that gave way before its first block has no trace rather than an empty one."""
    log = BlockLog()
    log.begin_segment()

    assert log.documents() == ()


def test_blocks_are_told_with_their_place() -> None:
    """Number, offset and length of each block are kept for the read-back, whatever their sizes."""
    log = BlockLog()
    log.begin_segment()
    for length in (4096, 8192, 4096):
        log.add(length)

    assert list(log.blocks()) == [
        Block(number=0, offset_bytes=0, length_bytes=4096),
        Block(number=1, offset_bytes=4096, length_bytes=8192),
        Block(number=2, offset_bytes=12288, length_bytes=4096),
    ]


def test_a_long_trace_is_thinned_and_reads_the_same() -> None:
    """A trace of 30,000 blocks is sent in a few thousand points; floor and bytes stay within 0.5 %."""
    log = BlockLog()
    log.begin_segment()
    for index in range(30_000):
        if index % 5000 == 0:
            for _ in range(200_000):
                pass
        log.add(MEBIBYTE)
    ((step_us, step_bytes),) = log.steps()
    (document,) = log.documents(most_points=2000)
    full = read_trace([Trace.from_steps(step_us, step_bytes)])
    thin = read_trace([Trace.from_steps(document.step_us, document.step_bytes)])

    assert len(document.step_us) <= 2000
    assert thin.total_bytes == full.total_bytes
    assert thin.floor(buffer_bytes=64 * MEBIBYTE).bytes_per_s == pytest.approx(
        full.floor(buffer_bytes=64 * MEBIBYTE).bytes_per_s, rel=0.005
    )
