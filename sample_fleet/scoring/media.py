"""The bar for media probed a few times a year: a probe is the only look one gets, so it must not be wasted.

Counted are shuttle drives that were fit when first soaked and lose frames within the story, and of these the
ones that were looked at while they already fell short of their role's headroom and before their first lost
frame. Of them, how many had an alert that predicts lost frames before that loss. A look through a reader that
carries less than the role asks shows the reader, so those that had no other are counted apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sample_fleet.diary.probing import through
from sample_fleet.diary.who import path_of, reader_on
from sample_fleet.physics.condition import link_rate
from sample_fleet.physics.fate import plays
from sample_fleet.physics.life import days_of
from sample_fleet.scoring.calls import Call
from sample_fleet.scoring.metrics import DROP_HOUR
from sample_fleet.studio.invent import Presence
from sample_fleet.studio.roles import SHUTTLE
from sample_fleet.truth import Truth


@dataclass(frozen=True, kw_only=True)
class MediaTally:
    """Counts over shuttle drives.

    Args:
        losing: Fit at first and losing frames within the story [1].
        seen_short: Of those that lose frames, probed while already short of headroom and not yet losing [1].
        hidden: Of those that lose frames, probed then only in readers that carry less than is asked [1].
        warned: Of those seen short, alerted before the first loss [1].
        false_alerts: Alerts that predict a loss on shuttles that never come to one [1].
        drive_years: Shuttles times years [a].
    """

    losing: int = 0
    seen_short: int = 0
    hidden: int = 0
    warned: int = 0
    false_alerts: int = 0
    drive_years: float = 0.0

    def __add__(self, other: "MediaTally") -> "MediaTally":
        """Add two seeds' counts."""
        return MediaTally(
            **{name: getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__}
        )

    @property
    def recall(self) -> float | None:
        """Give the share warned of those that a probe saw short [1]."""
        return self.warned / self.seen_short if self.seen_short else None

    def told(self) -> str:
        """Say it in a sentence."""
        share = "nothing to say" if self.recall is None else f"{self.recall:.2f}"
        return (
            f"{self.losing} lose frames, {self.seen_short} of them were probed while short of headroom and "
            f"not yet losing, {self.warned} of those were alerted in time ({share}); {self.hidden} more were "
            f"probed then in readers slower than what is asked; {self.false_alerts} false alerts in "
            f"{self.drive_years:.0f} drive-years."
        )


def media_tally(truths: Sequence[Truth], calls: Sequence[Call], *, days: int) -> MediaTally:
    """Count one seed's shuttle drives."""
    total = MediaTally()
    for truth in truths:
        if truth.drive.presence is Presence.TRAVELS and truth.drive.role == SHUTTLE:
            mine = [c for c in calls if c.drive == truth.drive.nature.key and c.predicts]
            total += _one(truth, mine, days)
    return total


def _one(truth: Truth, calls: list[Call], days: int) -> MediaTally:
    fate, years = truth.fate, days / 365.0
    first = fate.first_drop_day
    if first is None:
        return MediaTally(false_alerts=len({(c.episode, c.period) for c in calls}), drive_years=years)
    if not fate.fit_at_start or first > days:
        return MediaTally(drive_years=years)
    seen, hidden = _seen_short(truth, first)
    warned = seen and any(call.at_day < first + DROP_HOUR for call in calls)
    return MediaTally(
        losing=1, seen_short=int(seen), hidden=int(hidden and not seen), warned=int(warned), drive_years=years
    )


def _seen_short(truth: Truth, first: int) -> tuple[bool, bool]:
    """Tell whether a probe could see it short before its first loss, and whether a slow reader hid it."""
    drive, seen, hidden = truth.drive, False, False
    looked = {day for day in drive.seen_days if day <= first}
    for day in days_of(drive.nature, truth.seed, first):
        if day.number in looked and day.number >= drive.nature.course.onset_day:
            duty = drive.nature.duty
            assert duty is not None
            if plays(drive.nature, day, duty, duty.headroom).lost:
                path = path_of(drive, day.condition, reader_on(drive, day.number))
                shows = link_rate(through(day.condition, path)) >= duty.rate_bytes_per_s * duty.headroom
                seen, hidden = seen or shows, hidden or not shows
    return seen, hidden
