"""A call: one alert raised about one drive, by whichever judge."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Call:
    """One alert raised, or made more severe.

    Args:
        drive: Key of the drive.
        at_day: When it was raised, counted from the story's first midnight [d].
        kind: The condition.
        predicts: Whether the judge says by it that frames will be lost.
        cause: The first cause it named; `None` if it named none.
        episode: Which alert it is; the same one raised again carries the same name.
        period: How often that alert has been raised, this time included [1].
        raised: Whether it was raised by this, and not merely made more severe.
    """

    drive: str
    at_day: float
    kind: str
    predicts: bool
    cause: str | None = None
    episode: str = ""
    period: int = 1
    raised: bool = True
