"""Tokens seen a moment ago, so that a burst of requests does not read each one's row anew.

1. A row is good for a second. That is how long a token revoked elsewhere, by another worker or on the command
   line, goes on being taken.
2. Those that call often are read together, once a second for all of them.
3. Whatever may have revoked one in this process forgets them all, so here it is out at once.
4. What is kept is the row with the token's hash. Every request is still held against it.
"""

import threading
from collections.abc import Callable, Sequence
from itertools import islice

from ebbmark_collector.store import Row, Store, access
from ebbmark_collector.store.tx import MOST_MARKS

GOOD_FOR_S = 1.0  # [s]
_MOST = 10_000  # [1] rows kept; an agent asks once in minutes, so few are


class TokensSeen:
    """Rows of tokens by their public id, each for a moment."""

    def __init__(self, store: Store, monotonic_s: Callable[[], float]) -> None:
        self._store = store
        self._monotonic_s = monotonic_s
        self._rows: dict[str, tuple[float, Row]] = {}
        self._lock = threading.Lock()
        self._reading = threading.Lock()
        self._asked: set[str] = set()  # again, since rows were last read together
        self._forgotten = 0
        self._used: dict[str, int] = {}
        self._noted_s = 0.0

    def row(self, token_id: str) -> Row | None:
        """Give a token's row, or None if there is no such token."""
        now_s = self._monotonic_s()
        row, known = self._look_up(token_id, now_s)
        if row is not None:
            return row
        if not known:
            return self._read([token_id], now_s).get(token_id)
        with self._reading:
            row, _ = self._look_up(token_id, now_s)  # whoever read before may have brought it along
            if row is not None:
                return row
            with self._lock:
                asked, self._asked = self._asked - {token_id}, set()
            return self._read([token_id, *islice(asked, MOST_MARKS - 1)], now_s).get(token_id)

    def _look_up(self, token_id: str, now_s: float) -> tuple[Row | None, bool]:
        """Give a row that is still good, and whether one is kept at all."""
        with self._lock:
            seen = self._rows.get(token_id)
            if seen is None or not 0.0 <= now_s - seen[0] < GOOD_FOR_S:
                return None, seen is not None
            self._asked.add(token_id)
            return seen[1], True

    def _read(self, token_ids: Sequence[str], now_s: float) -> dict[str, Row]:
        before = self._forgotten
        rows = self._store.read(lambda tx: access.tokens_of(tx, token_ids))
        with self._lock:
            if before == self._forgotten:
                if len(self._rows) + len(rows) > _MOST:
                    self._rows.clear()
                self._rows.update((token_id, (now_s, row)) for token_id, row in rows.items())
        return rows

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
