"""Ids made here: they sort by the time they were made; the rest is random from the operating system."""

import secrets
from datetime import datetime

_DIGITS = "0123456789abcdefghjkmnpqrstvwxyz"  # Crockford's base 32, https://www.crockford.com/base32.html
_TIME_BITS, _RANDOM_BITS = 48, 82  # [bit] together 26 digits of 5 bits


def new_id(now: datetime) -> str:
    """Give a fresh id of 26 digits that sorts by `now` to the millisecond."""
    ms = round(now.timestamp() * 1000) & ((1 << _TIME_BITS) - 1)
    number = (ms << _RANDOM_BITS) | secrets.randbits(_RANDOM_BITS)
    return "".join(_DIGITS[(number >> shift) & 31] for shift in range(125, -5, -5))
