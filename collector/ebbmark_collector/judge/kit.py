"""How far the good media of a kit reach: hours in all, media needed, spares."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Cover:
    """What a kit covers.

    Attributes:
        enough: Whether it covers what was asked.
        hours_in_all: What its good media record, one copy counted [h].
        media_needed: How many of them are filled, at most until what was asked is recorded [1].
        spares: Good media beyond those [1].
    """

    enough: bool
    hours_in_all: float
    media_needed: int
    spares: int


def cover(hours: Iterable[float | None], *, asked_hours: float, copies: int) -> Cover:
    """Fill the good media of a kit, the longest first.

    Mirrored slots fill several media at once, as long as the shortest of them; media of like length go
    together, which wastes least.

    Args:
        hours: How long each good medium records until it is full [h]; None where its size is not known.
        asked_hours: What is to be recorded [h].
        copies: How many media hold the same at a time [1].

    Returns:
        What the kit covers.
    """
    good = sorted(hours, key=lambda each: -(each or 0.0))
    known = [each for each in good if each]
    turns = [known[i + copies - 1] for i in range(0, len(known) - copies + 1, copies)]
    needed, reached = 0, 0.0
    for turn in turns:
        if reached >= asked_hours:
            break
        reached += turn
        needed += copies
    enough = reached >= asked_hours
    return Cover(
        enough=enough,
        hours_in_all=sum(turns),
        media_needed=needed,
        spares=len(known) - needed if enough else 0,
    )
