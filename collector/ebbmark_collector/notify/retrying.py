"""When a message that did not get through is tried again, and when it is given up (a dead letter).

The delays are those that Standard Webhooks 1.0.0 recommends: three days and a few hours in all. A receiver's
Retry-After is honoured, up to a day. The jitter is made of the message's id, so that it needs no chance.
"""

import hashlib
from datetime import datetime, timedelta

DELAYS_S = (5, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400)  # [s] after the 1st, 2nd, ... try
JITTER = 0.2  # [1] of the delay, added
LONGEST_WAIT = timedelta(days=1)


def next_try(
    message_id: str, tries: int, now: datetime, *, retry_after_s: float | None = None
) -> datetime | None:
    """Give when to try again after `tries` attempts, or None to give up.

    Args:
        message_id: The message.
        tries: Attempts made so far, this one included [1].
        now: The instant of the last attempt.
        retry_after_s: What the receiver asked for [s].
    """
    if tries > len(DELAYS_S):
        return None
    delay_s = DELAYS_S[tries - 1] * (1 + JITTER * _share(f"{message_id}/{tries}"))
    if retry_after_s is not None:
        delay_s = max(delay_s, min(retry_after_s, LONGEST_WAIT.total_seconds()))
    return now + timedelta(seconds=delay_s)


def _share(text: str) -> float:
    """Give a number from 0 to 1 that is the same for the same text."""
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big") / 2**32
