"""What a set of reports leaves, gathered and then written at once: the reports, days of health, drives' rows.

1. Many reports of one drive write its row once, and each of its days of health once.
2. What is gathered reads as if every report had been written in its turn: of two reads of health the later
   one stands, of one instant the one that came last.
3. Whoever reads from the store what an earlier report of the set left has it written first.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from ebbmark_agent.report import Subject
from pydantic_core import from_json

from ebbmark_collector.intake.naming import own_names, subject_drive
from ebbmark_collector.store import Row, Tx, Value, drives, evidence, reports

_MS_A_DAY = evidence.DAY_MS


class DriveShown:
    """A drive with the health shown on it.

    Attributes:
        health: The reading shown, as it was kept; None before the first.
    """

    def __init__(self, row: Row) -> None:
        self.drive_id: str = row["drive_id"]
        self.read_ms: int | None = row["last_health_ms"]
        text: str | None = row["health_json"]
        self.health: Mapping[str, Any] | None = None if text is None else from_json(text)


class Sheaf:
    """What the reports of one transaction leave."""

    def __init__(self, tx: Tx) -> None:
        self.tx = tx
        self._rows: dict[str, Row] = {}  # by a drive's name
        self._drives: dict[str, DriveShown] = {}
        self._reports: list[Row] = []
        self._days: dict[tuple[str, int], tuple[dict[str, Value], str]] = {}
        self._shown: dict[str, dict[str, Value]] = {}
        self._look_again: dict[str, None] = {}

    def expect(self, subjects: Sequence[Subject]) -> None:
        """Read in one go the drives that reports will be about."""
        names = dict.fromkeys(name for subject in subjects for name in own_names(subject))
        self._rows |= {row["name"]: row for row in drives.with_health(self.tx, list(names))}

    def drive_of(self, subject: Subject, *, host_id: str, now_ms: int) -> DriveShown:
        """Give the drive (or array) a report is about, adding it if a report comes before its inventory."""
        names = own_names(subject)
        known = [row for name in names if (row := self._rows.get(name)) is not None]
        if known and len(known) == len(names):
            row = known[0]
        else:
            drive_id = subject_drive(self.tx, subject, host_id=host_id, now_ms=now_ms)
            row = drives.health_on(self.tx, drive_id)
            self._rows |= dict.fromkeys(names, row)
        drive = self._drives.get(row["drive_id"])
        if drive is None:
            drive = self._drives[row["drive_id"]] = DriveShown(row)
        return drive

    def forget_names(self) -> None:
        """Read names anew: an inventory may have bound some."""
        self._rows.clear()

    def add_report(self, row: Row) -> None:
        """Have a report kept."""
        self._reports.append(row)

    def add_health(
        self, drive: DriveShown, columns: dict[str, Value], text: str, reading: Mapping[str, Any]
    ) -> None:
        """Have a read of health noted.

        Args:
            drive: The drive.
            columns: Of its day; all but the drive, the day and the packed reading.
            text: The reading as it is kept.
            reading: The same, read back.
        """
        read_ms, drive_id = columns["read_ms"], drive.drive_id
        assert isinstance(read_ms, int)
        key = (drive_id, read_ms // _MS_A_DAY)
        before, kept = self._days.get(key, ({"read_ms": -1, "hottest_c": None, "readings": 0}, ""))
        latest, kept = (columns, text) if read_ms >= _number(before["read_ms"]) else (before, kept)
        temperatures = [
            t for t in (before["hottest_c"], columns["temperature_c"]) if isinstance(t, int | float)
        ]
        hottest: Value = max(temperatures, default=None)
        self._days[key] = (
            {**latest, "hottest_c": hottest, "readings": _number(before["readings"]) + 1},
            kept,
        )
        if drive.read_ms is None or drive.read_ms <= read_ms:
            drive.read_ms, drive.health = read_ms, reading
            self._shown[drive_id] = {
                "drive_id": drive_id,
                "read_ms": read_ms,
                "health_json": text,
                "temperature_c": columns["temperature_c"],
                "percentage_used": columns["percentage_used"],
                "written_bytes": columns["written_bytes"],
            }

    def look_again(self, drive_id: str) -> None:
        """Have the next round look at a drive."""
        self._look_again[drive_id] = None

    def write(self) -> None:
        """Write what was gathered."""
        reports.keep(self.tx, self._reports)
        self._reports.clear()
        days: list[dict[str, Value]] = [
            {**columns, "drive_id": drive_id, "day": day, "reading": evidence.pack(text)}
            for (drive_id, day), (columns, text) in self._days.items()
        ]
        evidence.add_health(self.tx, days)
        self._days.clear()
        if drives.note_health(self.tx, list(self._shown.values())):
            for drive_id in self._shown:
                self._look_again.pop(drive_id, None)
        self._shown.clear()
        for drive_id in self._look_again:
            drives.look_again(self.tx, drive_id)
        self._look_again.clear()


def _number(value: Value) -> int:
    assert isinstance(value, int)
    return value
