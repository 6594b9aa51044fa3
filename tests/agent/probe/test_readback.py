"""Comparing what came back, to the byte."""

from collections.abc import Iterator
from mmap import mmap

import pytest
from ebbmark_agent.probe.data import BlockData
from ebbmark_agent.probe.ended import FaultError
from ebbmark_agent.probe.guard import Guard
from ebbmark_agent.probe.log import Block
from ebbmark_agent.probe.readback import first_bad_byte
from hypothesis import given, settings
from hypothesis import strategies as st

LENGTH = 32 << 10
BLOCKS = [Block(number=number, offset_bytes=number * LENGTH, length_bytes=LENGTH) for number in range(12)]


class Medium:
    """A file in memory that gives back what was written, changed at some bytes, in portions it likes."""

    def __init__(self, data: BlockData, *, bad_at: tuple[int, ...] = (), portion: int = LENGTH) -> None:
        """Take what was written, which bytes went wrong and the most it gives at once."""
        self.content = bytearray(b"".join(bytes(data.make(block.number)) for block in BLOCKS))
        for at in bad_at:
            self.content[at] ^= 0x01
        self._portion = portion

    def read_at(self, into: memoryview | bytearray | mmap, offset_bytes: int) -> int:
        """Give some bytes."""
        with memoryview(into) as view:
            length = min(len(view), self._portion, len(self.content) - offset_bytes)
            view[:length] = self.content[offset_bytes : offset_bytes + length]
        return length


@pytest.fixture(scope="module")
def data() -> Iterator[BlockData]:
    """Blocks of 32 KiB."""
    made = BlockData(block_bytes=LENGTH)
    yield made
    made.close()


def test_what_is_as_written_is_good(data: BlockData) -> None:
    """All bytes are read, none is bad."""
    assert first_bad_byte(file=Medium(data), data=data, blocks=BLOCKS, guard=Guard()) == (
        len(BLOCKS) * LENGTH,
        None,
    )


@settings(max_examples=60, deadline=None)
@given(bad=st.lists(st.integers(min_value=0, max_value=len(BLOCKS) * LENGTH - 1), min_size=1, max_size=4))
def test_the_first_wrong_byte_is_named(data: BlockData, bad: list[int]) -> None:
    """A single flipped bit anywhere is found, and of several the first."""
    medium = Medium(data, bad_at=tuple(set(bad)))
    _, found = first_bad_byte(file=medium, data=data, blocks=BLOCKS, guard=Guard())

    assert found == min(bad)


def test_short_reads_are_gone_on_with(data: BlockData) -> None:
    """A system that gives a page at a time is read to the end all the same."""
    medium = Medium(data, portion=4096)

    assert first_bad_byte(file=medium, data=data, blocks=BLOCKS, guard=Guard())[1] is None


def test_a_file_that_ends_early_is_a_fault(data: BlockData) -> None:
    """A drive that gives back less than it took has failed a read."""
    medium = Medium(data)
    del medium.content[5 * LENGTH :]

    with pytest.raises(FaultError) as caught:
        first_bad_byte(file=medium, data=data, blocks=BLOCKS, guard=Guard())

    assert caught.value.fault.operation == "read"
    assert caught.value.fault.at_byte == 5 * LENGTH
