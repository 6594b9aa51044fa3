"""Tokens seen a moment ago, so that a burst of requests does not read each one's row anew.

1. A row is good for a second. That is how long a token revoked elsewhere, by another worker or on the command
   line, goes on being taken.
2. Whatever may have revoked one in this process forgets them all, so here it is out at once.
3. What is kept is the row with the token's hash. Every request is still held against it.
"""

import threading
from collections.abc import Callable

from ebbmark_collector.store import Row, Store, access

GOOD_FOR_S = 1.0  # [s]
_MOST = 10_000  # [1] rows kept; an agent asks once in minutes, so few are


class TokensSeen:
    """Rows of tokens by their public id, each for a moment."""

    def __init__(self, store: Store, monotonic_s: Callable[[], float]) -> None:
        self._store = store
        self._monotonic_s = monotonic_s
        self._rows: dict[str, tuple[float, Row]] = {}
        self._lock = threading.Lock()
        self._forgotten = 0
        self._used: dict[str, int] = {}
        self._noted_s = 0.0

    def row(self, token_id: str) -> Row | None:
        """Give a token's row, or None if there is no such token."""
        now_s = self._monotonic_s()
        seen = self._rows.get(token_id)
        if seen is not None and 0.0 <= now_s - seen[0] < GOOD_FOR_S:
            return seen[1]
        before = self._forgotten
        row = self._store.read(lambda tx: access.token(tx, token_id))
        with self._lock:
            if row is not None and before == self._forgotten:
                if len(self._rows) >= _MOST:
                    self._rows.clear()
                self._rows[token_id] = (now_s, row)
        return row

    def used(self, token_id: str, now_ms: int, *, busy: bool) -> None:
        """Note that a token was used; while many requests wait, those of a second in one commit.

        Args:
            token_id: The token.
            now_ms: When [ms].
            busy: Whether others wait.
        """
        now_s = self._monotonic_s()
        with self._lock:
            self._used[token_id] = now_ms
            seen = self._rows.get(token_id)
            if seen is not None:
                self._rows[token_id] = (seen[0], {**seen[1], "last_used_ms": now_ms})
            if busy and now_s - self._noted_s < GOOD_FOR_S:
                return
            self._noted_s = now_s
            used, self._used = self._used, {}
        self._store.write(lambda tx: access.tokens_used(tx, used))

    def forget(self, token_id: str | None = None) -> None:
        """Read the row of a token, or those of all, anew when it is next shown."""
        with self._lock:
            self._forgotten += 1
            if token_id is None:
                self._rows.clear()
            else:
                self._rows.pop(token_id, None)
