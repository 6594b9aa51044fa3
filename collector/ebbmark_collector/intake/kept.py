"""What a worker keeps by itself of each drive between two looks, so much and no more."""

from collections.abc import Collection, Mapping
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

    def add(self, drive_id: str, fresh: Mapping[K, P], marks: Collection[K]) -> Mapping[K, P]:
        """Keep more values of a drive.

        Args:
            drive_id: The drive.
            fresh: The values.
            marks: All that are asked for now; when more than twice as many are kept, the others are let go.

        Returns:
            All that are kept of it.
        """
        before = self._of.get(drive_id, {})
        values = {**before, **fresh}
        if len(values) > 2 * len(marks):
            values = {mark: values[mark] for mark in marks}
        self._count += len(values) - len(before)
        if self._count > self._most:
            self._of, self._count = {}, len(values)
        self._of[drive_id] = values
        return values
