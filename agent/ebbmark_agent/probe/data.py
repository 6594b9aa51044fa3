"""The data a probe writes: it cannot be compressed, no 512 bytes repeat, and it is ready before it is wanted.

A ring of page-aligned buffers is filled once from the system's random source. Before each use a thread puts
fresh random words into every 512 bytes of a buffer, which makes every sector and so every 4 KiB of the file
unique and costs microseconds. What block n holds follows from n alone, so it can be made again for comparing.
"""

import array
import mmap
import os
import threading
import time
from types import TracebackType
from typing import Self

RING_BUFFERS = 8
_SECTOR_WORDS = 64  # [1] words of 8 bytes in 512 bytes
_WORD_BYTES = 8


class BlockData:
    """Makes block n from n: the same bytes every time, others for every n."""

    def __init__(self, *, block_bytes: int, buffers: int = RING_BUFFERS) -> None:
        """Fill the buffers.

        Args:
            block_bytes: Size of the largest block [bytes], a multiple of 512.
            buffers: How many blocks are kept in memory [1].
        """
        self.block_bytes = block_bytes
        self._buffers = [mmap.mmap(-1, block_bytes) for _ in range(buffers)]
        for buffer in self._buffers:
            buffer[:] = os.urandom(block_bytes)
        self._sectors = block_bytes // 512
        self._words = array.array("Q", os.urandom(_WORD_BYTES * (self._sectors + 4096)))

    @property
    def buffers(self) -> int:
        """Give how many blocks are kept in memory [1]."""
        return len(self._buffers)

    def make(self, number: int) -> mmap.mmap:
        """Make block `number` in its buffer, which block `number + buffers` will use again."""
        buffer = self._buffers[number % len(self._buffers)]
        turn = number // len(self._buffers)
        while turn + self._sectors > len(self._words):
            self._words.frombytes(os.urandom(_WORD_BYTES * 4096))
        # The words slide by one a turn: a sector meets each word once, so no two turns are alike.
        with memoryview(buffer) as raw, raw.cast("Q") as words, memoryview(self._words) as fresh:
            words[::_SECTOR_WORDS] = fresh[turn : turn + self._sectors]
        return buffer

    def buffer_of(self, number: int) -> mmap.mmap:
        """Give the buffer that block `number` is made in, as it is now."""
        return self._buffers[number % len(self._buffers)]

    def close(self) -> None:
        """Give the memory back."""
        for buffer in self._buffers:
            buffer.close()


class DataRing:
    """Hands out blocks in order, made ahead by a thread while earlier ones are being written."""

    def __init__(self, data: BlockData) -> None:
        """Take what makes the blocks."""
        self._data = data
        self._ready = threading.Semaphore(0)
        self._free = threading.Semaphore(data.buffers)
        self._stop = threading.Event()
        self._next = 0
        self._taken = 0
        self.waited_s = 0.0  # [s] that writes had to wait for data
        self._thread = threading.Thread(target=self._run, name="probe-data", daemon=True)

    def __enter__(self) -> Self:
        """Start making blocks, and wait until the ring is full."""
        self._thread.start()
        for _ in range(self._data.buffers):
            self._ready.acquire()
        self._ready.release(self._data.buffers)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop the thread."""
        self._stop.set()
        self._free.release()
        self._thread.join()

    def take(self) -> mmap.mmap:
        """Give the next block; it stays as it is until `give_back`."""
        if not self._ready.acquire(blocking=False):
            begin = time.perf_counter()
            self._ready.acquire()
            self.waited_s += time.perf_counter() - begin
        block = self._data.buffer_of(self._taken)
        self._taken += 1
        return block

    def give_back(self) -> None:
        """Let the oldest taken block be made anew."""
        self._free.release()

    def _run(self) -> None:
        while True:
            self._free.acquire()
            if self._stop.is_set():
                return
            self._data.make(self._next)
            self._next += 1
            self._ready.release()
