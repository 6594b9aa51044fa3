"""What a worker keeps by itself of each drive between two looks, so much and no more."""

from collections.abc import Callable, Mapping
from typing import Generic, TypeVar

K = TypeVar("K")
P = TypeVar("P")


class _Series(Generic[K, P]):
    """A drive's values by mark, and the series last asked for."""

    def __init__(self, values: Mapping[K, P], marks: list[K]) -> None:
        self.values = values
        self.marks = marks
        self.points = tuple(map(values.__getitem__, marks))


class Kept(Generic[K, P]):
    """Series by drive; when there would be too many values, all are let go and read again as needed.

    Threads may use one at the same time: what a drive has is replaced as a whole, never changed in place.
    """

    def __init__(self, most: int) -> None:
        """Start with nothing.

        Args:
            most: How many values are kept at the most [1].
        """
        self._most = most
        self._count = 0
        self._of: dict[str, _Series[K, P]] = {}

    def clear(self) -> None:
        """Let go of everything."""
        self._of, self._count = {}, 0

    def series(
        self, drive_id: str, marks: list[K], fetch: Callable[[list[K]], Mapping[K, P]]
    ) -> tuple[P, ...]:
        """Give a drive's values in the order of their marks.

        Args:
            drive_id: The drive.
            marks: What is asked for.
            fetch: Reads values whose marks are not kept; it may give more than it was asked for.

        Returns:
            A value for each mark.
        """
        known = self._of.get(drive_id)
        if known is not None and known.marks == marks:
            return known.points
        before: Mapping[K, P] = known.values if known is not None else {}
        unknown = [mark for mark in marks if mark not in before]
        values = {**before, **fetch(unknown)} if unknown else before
        if len(values) > 2 * len(marks):
            values = {mark: values[mark] for mark in marks}
        self._count += len(values) - len(before)
        if self._count > self._most:
            self._of, self._count = {}, len(values)
        found = self._of[drive_id] = _Series(values, marks)
        return found.points
