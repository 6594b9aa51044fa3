"""What a worker keeps by itself of each drive between two looks, so much and no more."""

from collections.abc import Callable, Mapping
from threading import Lock
from typing import Generic, TypeVar

K = TypeVar("K")
P = TypeVar("P")

_ADMITTED = 16  # [1]
_MOST_DROPPED = 2  # [1] of the newest may be others by the next look: a day of health, a probe rejudged


class _Series(Generic[K, P]):
    """The series last asked for of a drive, with its marks."""

    def __init__(self, marks: list[K], points: tuple[P, ...]) -> None:
        self.marks = marks
        self.points = points

    def begins(self, marks: list[K]) -> tuple[P, ...] | None:
        """Give what is known of the begin of `marks`; None where they do not simply go on from these.

        From one look to the next the oldest leave the window and a few newest come, so a comparison of two
        lists is enough; to look each mark up would cost a worker a tenth of its time.
        """
        if not marks or marks[0] not in self.marks:
            return None
        gone = self.marks.index(marks[0])
        for dropped in range(_MOST_DROPPED + 1):
            until = len(self.marks) - dropped
            if until > gone and self.marks[gone:until] == marks[: until - gone]:
                return self.points[gone:until]
        return None


class Kept(Generic[K, P]):
    """Series by drive; past the most that is kept, what is there stays and newcomers are read each time.

    Drives are looked at in turn, so to let go of the longest unused would let go of each just before it is
    asked for again. One newcomer in `_ADMITTED` takes the place of who came first, lest drives that are gone
    stay for good. Threads may use one at the same time: what a drive has is replaced as a whole.
    """

    def __init__(self, most: int) -> None:
        """Start with nothing.

        Args:
            most: How many values are kept at the most [1].
        """
        self._most = most
        self._count = 0
        self._newcomers = 0
        self._of: dict[str, _Series[K, P]] = {}
        self._changing = Lock()

    def clear(self) -> None:
        """Let go of everything."""
        with self._changing:
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
        begun = known.begins(marks) if known is not None else None
        if begun is not None:
            new = marks[len(begun) :]
            fetched = fetch(new) if new else {}
            points = (*begun, *map(fetched.__getitem__, new))
        else:
            before = dict(zip(known.marks, known.points, strict=True)) if known is not None else {}
            unknown = [mark for mark in marks if mark not in before]
            if unknown:
                before.update(fetch(unknown))
            points = tuple(map(before.__getitem__, marks))
        self._keep(drive_id, _Series(marks, points))
        return points

    def _keep(self, drive_id: str, series: _Series[K, P]) -> None:
        with self._changing:
            known = self._of.get(drive_id)
            count = self._count + len(series.points) - (len(known.points) if known is not None else 0)
            if known is None and count > self._most:
                self._newcomers += 1
                if self._newcomers % _ADMITTED:
                    return
            self._of[drive_id] = series
            while count > self._most:
                first = next(iter(self._of))
                count -= len(self._of.pop(first).points)
            self._count = count
