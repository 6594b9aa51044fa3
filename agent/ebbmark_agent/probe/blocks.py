"""How large the next block is: it follows the rate, so that no block holds up a take for long.

A block handed to the drive cannot be called back. One that lasts 50 ms alone lasts about 100 ms beside a take
that wants its share, which leaves room to notice the take and stop within a quarter of a second.
"""

from collections import deque

from ebbmark_agent.platforms import ALIGNMENT_BYTES

BLOCK_S = 0.05  # [s] how long a block should last at the present rate
SMALLEST_BYTES = 64 << 10  # [bytes] below this the request's own cost shows in the rate
LARGEST_BYTES = 4 << 20  # [bytes] what recorders write at once; more gains nothing on any drive tried
FIRST_BYTES = 512 << 10  # [bytes] lasts 50 ms on a card of 10 MB/s
_MEMORY_S = 0.4  # [s] the rate is that of so long, so that one stall does not shrink the blocks for good


class BlockSize:
    """Chooses powers of two by the rate of the last blocks."""

    def __init__(self, *, fixed_bytes: int | None = None) -> None:
        """Take a size to keep to [bytes], if one is asked for.

        Raises:
            ValueError: It is not a positive multiple of 4096 bytes.
        """
        if fixed_bytes is not None and (fixed_bytes <= 0 or fixed_bytes % ALIGNMENT_BYTES):
            raise ValueError(f"a block of {fixed_bytes} bytes is not a multiple of {ALIGNMENT_BYTES}")
        self._fixed = fixed_bytes
        self._size = fixed_bytes or FIRST_BYTES
        self._recent: deque[tuple[float, int]] = deque()
        self._recent_s = 0.0
        self._recent_bytes = 0

    @property
    def bytes(self) -> int:
        """Give the next block's size [bytes]."""
        return self._size

    @property
    def largest_bytes(self) -> int:
        """Give the size no block will exceed [bytes]."""
        return self._fixed or LARGEST_BYTES

    def took(self, duration_s: float, moved_bytes: int) -> None:
        """Learn how long a block took [s] and what it moved [bytes]."""
        if self._fixed is not None:
            return
        self._recent.append((duration_s, moved_bytes))
        self._recent_s += duration_s
        self._recent_bytes += moved_bytes
        while len(self._recent) > 1 and self._recent_s - self._recent[0][0] >= _MEMORY_S:
            old_s, old_bytes = self._recent.popleft()
            self._recent_s -= old_s
            self._recent_bytes -= old_bytes
        rate = self._recent_bytes / max(self._recent_s, 1e-9)
        fitting = 1 << max(0, int(rate * BLOCK_S)).bit_length() - 1 if rate * BLOCK_S >= 1 else SMALLEST_BYTES
        # At most doubled a block: the first fast blocks may be the drive's own memory speaking.
        self._size = max(SMALLEST_BYTES, min(LARGEST_BYTES, fitting, self._size * 2))
