"""The truth file: per drive whether it is fit when taken on, when it would first lose frames, and why."""

from collections.abc import Iterator
from dataclasses import dataclass

from sample_fleet.diary.calendar import instant
from sample_fleet.physics.fate import Fate, fate_of
from sample_fleet.physics.nature import Trouble
from sample_fleet.studio.invent import Drive, Studio

TAKEN_ON_DAY = 14  # [d] by then every fixed drive has had its first soak
LOOK_AHEAD_DAYS = 120  # [d] the truth looks this far past the story, so that late alerts can be judged


@dataclass(frozen=True, kw_only=True)
class Truth:
    """One drive and its fate, in the fleet of a seed."""

    seed: int

    drive: Drive
    fate: Fate

    def row(self) -> dict[str, object]:
        """Give the truth as a line for people and programs."""
        drive, fate, course = self.drive, self.fate, self.drive.nature.course
        first = fate.first_drop_day
        troubled = course.trouble is not Trouble.NONE
        return {
            "drive": drive.nature.key,
            "asset_tag": drive.asset_tag,
            "serial": drive.serial,
            "model": drive.line.model,
            "role": drive.role.name,
            "hosts": list(drive.hosts),
            "presence": drive.presence.value,
            "fit_at_start": fate.fit_at_start,
            "first_drop_day": first,
            "first_drop_at": None if first is None else instant(first, 12.0).isoformat(),
            "cause": fate.cause.value,
            "onset_day": round(course.onset_day) if troubled else None,
            "sudden": fate.sudden,
        }


def truths(studio: Studio, *, last_day: int) -> Iterator[Truth]:
    """Find the fate of every drive of a studio up to a day [d]."""
    for drive in studio.drives:
        fate = fate_of(drive.nature, studio.seed, start_day=TAKEN_ON_DAY, last_day=last_day)
        yield Truth(seed=studio.seed, drive=drive, fate=fate)
