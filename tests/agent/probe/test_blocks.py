"""Block sizes follow the rate."""

import pytest
from ebbmark_agent.probe.blocks import BLOCK_S, FIRST_BYTES, LARGEST_BYTES, SMALLEST_BYTES, BlockSize
from hypothesis import given
from hypothesis import strategies as st


def settled(rate_bytes_per_s: float) -> BlockSize:
    """A block size that has met a drive of one rate for two seconds."""
    size = BlockSize()
    clock_s = 0.0
    while clock_s < 2.0:
        took_s = size.bytes / rate_bytes_per_s
        size.took(took_s, size.bytes)
        clock_s += took_s
    return size


@given(rate=st.floats(min_value=1.5e6, max_value=2e10))
def test_no_block_lasts_longer_than_a_tenth_of_a_second(rate: float) -> None:
    """From 1.5 MB/s on, a block at a steady rate lasts at most 100 ms."""
    size = settled(rate)

    assert size.bytes / rate <= 0.1


@given(rate=st.floats(min_value=3e6, max_value=8e7))
def test_blocks_are_no_smaller_than_need_be(rate: float) -> None:
    """On a slow drive a block lasts at least a quarter of the time it may."""
    size = settled(rate)

    assert size.bytes / rate >= BLOCK_S / 4


def test_a_fast_drive_gets_the_largest_block() -> None:
    """At 3 GB/s blocks are as large as they get."""
    assert settled(3e9).bytes == LARGEST_BYTES


def test_a_very_slow_drive_gets_the_smallest_block() -> None:
    """At 100 kB/s blocks are as small as they get."""
    assert settled(1e5).bytes == SMALLEST_BYTES


def test_the_first_block_is_small() -> None:
    """Before anything is known of the drive, a block lasts 50 ms on a card of 10 MB/s."""
    assert BlockSize().bytes == FIRST_BYTES
    assert FIRST_BYTES / 10e6 <= 0.06


def test_growth_is_at_most_twofold_a_block() -> None:
    """One fast block into the drive's own memory does not make the next one huge."""
    size = BlockSize()
    size.took(1e-4, FIRST_BYTES)

    assert size.bytes == 2 * FIRST_BYTES


def test_one_stall_does_not_shrink_blocks_for_good() -> None:
    """Half a second after a stall of a second, blocks are as large as before it."""
    size = settled(4e8)
    before = size.bytes
    size.took(1.0, size.bytes)
    for _ in range(200):
        size.took(size.bytes / 4e8, size.bytes)

    assert before == size.bytes


def test_a_fixed_size_stays() -> None:
    """A size asked for is kept whatever the rate."""
    size = BlockSize(fixed_bytes=8 << 20)
    size.took(5.0, 8 << 20)

    assert size.bytes == 8 << 20
    assert size.largest_bytes == 8 << 20


@pytest.mark.parametrize("wrong", [0, -4096, 1000, 4095])
def test_a_fixed_size_must_suit_unbuffered_writes(wrong: int) -> None:
    """A size that is no positive multiple of 4096 is refused."""
    with pytest.raises(ValueError, match="not a multiple of 4096"):
        BlockSize(fixed_bytes=wrong)
