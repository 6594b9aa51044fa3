"""Probe data: incompressible, unique, repeatable, ready in time."""

import lzma
import zlib

from ebbmark_agent.probe.data import RING_BUFFERS, BlockData, DataRing

BLOCK = 256 << 10


def blocks(count: int) -> bytes:
    """The first blocks of one probe, as they would lie on the drive."""
    data = BlockData(block_bytes=BLOCK)
    try:
        return b"".join(bytes(data.make(number)) for number in range(count))
    finally:
        data.close()


def test_every_4_kib_is_unique() -> None:
    """No 4 KiB of the file repeats, also after the ring has gone round many times."""
    written = blocks(5 * RING_BUFFERS)
    pages = [written[at : at + 4096] for at in range(0, len(written), 4096)]

    assert len(pages) == len(set(pages))


def test_every_sector_is_unique() -> None:
    """Nor does any 512 bytes."""
    written = blocks(5 * RING_BUFFERS)
    sectors = [written[at : at + 512] for at in range(0, len(written), 512)]

    assert len(sectors) == len(set(sectors))


def test_deflate_saves_nothing() -> None:
    """A drive that compresses by a window of 32 KiB (RFC 1951) saves nothing at all."""
    written = blocks(3)

    assert len(zlib.compress(written, 9)) >= len(written)


def test_a_window_of_a_megabyte_saves_nothing() -> None:
    """Nor does one with a window of 1 MiB, larger than any drive's unit of compression."""
    written = blocks(RING_BUFFERS)
    squeezed = lzma.compress(
        written,
        format=lzma.FORMAT_RAW,
        filters=[{"id": lzma.FILTER_LZMA2, "dict_size": 1 << 20, "preset": 6}],
    )

    assert len(squeezed) >= len(written)


def test_a_block_can_be_made_again() -> None:
    """What block n holds follows from n, in whatever order blocks are made."""
    data = BlockData(block_bytes=BLOCK)
    first = [bytes(data.make(number)) for number in range(30)]
    again = {number: bytes(data.make(number)) for number in (29, 3, 11, 0, 27)}
    data.close()

    assert all(first[number] == block for number, block in again.items())


def test_two_probes_write_different_data() -> None:
    """A second probe does not meet its predecessor's data on the drive."""
    assert blocks(1) != blocks(1)


def test_the_ring_hands_blocks_out_in_order() -> None:
    """Block after block comes as it would be made for itself."""
    data = BlockData(block_bytes=BLOCK)
    came = []
    with DataRing(data) as ring:
        for _ in range(3 * RING_BUFFERS):
            came.append(bytes(ring.take()))
            ring.give_back()
    expected = [bytes(data.make(number)) for number in range(3 * RING_BUFFERS)]
    data.close()

    assert expected == came


def test_a_taken_block_stays_until_given_back() -> None:
    """A block is not made anew while its write is under way."""
    data = BlockData(block_bytes=BLOCK)
    with DataRing(data) as ring:
        block = ring.take()
        before = bytes(block)
        for _ in range(RING_BUFFERS - 1):
            ring.take()

        assert before == bytes(block)
    data.close()


def test_waiting_for_data_is_counted() -> None:
    """A writer faster than the data is not silent about it."""
    data = BlockData(block_bytes=BLOCK)
    with DataRing(data) as ring:
        for _ in range(RING_BUFFERS):
            ring.take()

        assert ring.waited_s == 0.0

        for _ in range(200):
            ring.give_back()
            ring.take()

        assert ring.waited_s > 0.0
    data.close()
