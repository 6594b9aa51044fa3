"""What a worker keeps by itself of each drive between two looks, so much and no more."""

from collections.abc import Mapping
from typing import Generic, TypeVar

K = TypeVar("K")
P = TypeVar("P")


class Kept(Generic[K, P]):
    """Values by drive and mark; when there would be too many, all are let go and read again as needed.

    Threads may use one at the same time: what a drive has is replaced as a whole, never changed in place.
    """

    def __init__(self, most: int) -> None:
        """Start with nothing.

        Args:
            most: How many values are kept at the most [1].
        """
        self._most = most
        self._count = 0
        self._of: dict[str, Mapping[K, P]] = {}

    def of(self, drive_id: str) -> Mapping[K, P]:
        """Give what is kept of a drive."""
        return self._of.get(drive_id, {})

    def clear(self) -> None:
        """Let go of everything."""
        self._of, self._count = {}, 0

    def keep(self, drive_id: str, values: Mapping[K, P]) -> None:
        """Keep these values of a drive instead of those before."""
        self._count += len(values) - len(self._of.get(drive_id, ()))
        if self._count > self._most:
            self._of, self._count = {}, len(values)
        self._of[drive_id] = values
