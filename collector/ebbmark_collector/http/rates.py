"""How often one token or one address may ask: a bucket that fills steadily, kept in this process."""

import threading
from collections import OrderedDict

_MOST_KEYS = 10_000  # [1] more callers than that at once are let through rather than remembered


class Rates:
    """Buckets by key; each holds a minute's worth and fills at that rate."""

    def __init__(self, a_minute: int) -> None:
        self._a_minute = a_minute
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def _level(self, key: str, now_s: float) -> float:
        level, at_s = self._buckets.get(key, (float(self._a_minute), now_s))
        return min(float(self._a_minute), level + (now_s - at_s) * self._a_minute / 60.0)

    def wait_s(self, key: str, now_s: float) -> float:
        """Give how long the key must wait for its next turn [s]; 0 if it may go on."""
        if key not in self._buckets:
            return 0.0
        with self._lock:
            level = self._level(key, now_s)
        return 0.0 if level >= 1.0 else (1.0 - level) * 60.0 / self._a_minute

    def take_turn(self, key: str, now_s: float) -> float:
        """Count one turn of the key if it has one; else give how long it must wait for it [s]."""
        with self._lock:
            level = self._level(key, now_s)
            if level >= 1.0:
                self._count(key, level, now_s)
                return 0.0
        return (1.0 - level) * 60.0 / self._a_minute

    def take(self, key: str, now_s: float) -> None:
        """Count one turn of the key."""
        with self._lock:
            self._count(key, self._level(key, now_s), now_s)

    def _count(self, key: str, level: float, now_s: float) -> None:
        self._buckets[key] = (level - 1.0, now_s)
        self._buckets.move_to_end(key)
        while len(self._buckets) > _MOST_KEYS:
            self._buckets.popitem(last=False)
