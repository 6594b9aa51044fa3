"""Ids made here: they sort by the time they were made; the rest is random from the operating system.

Within one process ids of the same millisecond sort in the order they were made.
"""

import secrets
import threading
from datetime import datetime

_DIGITS = "0123456789abcdefghjkmnpqrstvwxyz"  # Crockford's base 32, https://www.crockford.com/base32.html
_TIME_BITS, _RANDOM_BITS = 48, 82  # [bit] together 26 digits of 5 bits
_STEP_BITS = 32  # [bit] the next id of a millisecond lies within this of the last: not to be guessed either


class _Maker:
    """Remembers the last id, so that the next of the same millisecond is larger."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._ms, self._rest = -1, 0

    def number(self, ms: int) -> int:
        """Give the next number of a millisecond."""
        with self._lock:
            if ms == self._ms:
                self._rest += 1 + secrets.randbits(_STEP_BITS)
            else:
                # The top bit is left free, so that adding does not run over.
                self._ms, self._rest = ms, secrets.randbits(_RANDOM_BITS - 1)
            return (ms << _RANDOM_BITS) | self._rest


_MAKER = _Maker()


def new_id(now: datetime) -> str:
    """Give a fresh id of 26 digits that sorts by `now` to the millisecond."""
    number = _MAKER.number(round(now.timestamp() * 1000) & ((1 << _TIME_BITS) - 1))
    return "".join(_DIGITS[(number >> shift) & 31] for shift in range(125, -5, -5))
