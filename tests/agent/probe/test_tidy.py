"""Tidying up: what may be said of discard and of the space, and when nothing more is asked of the drive."""

from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.platforms import DiskCounters, Extent, VolumeSpace
from ebbmark_agent.probe.tidy import Tidied, tidy
from ebbmark_agent.report import DiscardState

MB = 1_000_000


class OpenFile:
    """A probe file of which only the end matters."""

    def __init__(self, *, released: bool = False) -> None:
        """Take whether the system can free blocks of an open file."""
        self.calls: list[str] = []
        self._released = released

    def extents(self) -> tuple[Extent, ...]:
        """Say where it lies."""
        self.calls.append("extents")
        return (Extent(at_bytes=0, length_bytes=100 * MB),)

    def release(self, size_bytes: int) -> bool:
        """Free its blocks."""
        self.calls.append("release")
        return self._released

    def close(self) -> None:
        """Close."""
        self.calls.append("close")


class ScriptedVolume:
    """A platform that answers discards and room as told."""

    def __init__(self, *, asked: int | None, counted: int | None, free_after: int = 1000 * MB) -> None:
        """Take what the file system says it discarded, what the disk then counts, and the room afterwards."""
        self.calls: list[str] = []
        self._asked, self._counted, self._free = asked, counted, free_after
        self._discarded = 0

    def disk_counters(self, disk: str) -> DiskCounters:
        """Give the disk's count of discards."""
        counted = None if self._counted is None else self._discarded
        return DiskCounters(at_s=0.0, read_bytes=0, written_bytes=0, discarded_bytes=counted)

    def settle_space(self, folder: Path) -> None:
        """Do nothing."""
        self.calls.append("settle")

    def space(self, folder: Path) -> VolumeSpace:
        """Give the room."""
        return VolumeSpace(total_bytes=2000 * MB, free_bytes=self._free)

    def discard_extents(self, folder: Path, extents: tuple[Extent, ...]) -> int | None:
        """Discard."""
        self.calls.append("discard")
        self._discarded += self._counted or 0
        return self._asked


def tidied(volume: ScriptedVolume, file: OpenFile | None = None, **changes: Any) -> Tidied:
    """Tidy up a probe of 100 MB on a disk with 1000 MB free before."""
    facts: dict[str, Any] = {
        "folder": Path("/volume"),
        "disks": ("sda",),
        "written_bytes": 100 * MB,
        "free_before_bytes": 1000 * MB,
        "quietly": False,
    }
    return tidy(platform=volume, files=[file or OpenFile()], **{**facts, **changes})  # type: ignore[arg-type, list-item]


@pytest.mark.parametrize(
    ("asked", "counted", "state"),
    [
        (100 * MB, 100 * MB, DiscardState.PROVEN),
        (100 * MB, 20 * MB, DiscardState.ASKED),
        (100 * MB, None, DiscardState.ASKED),
        (None, None, DiscardState.NOT_POSSIBLE),
        (None, 100 * MB, DiscardState.NOT_POSSIBLE),
        (0, 0, DiscardState.NOT_POSSIBLE),
    ],
    ids=[
        "asked and counted by the disk",
        "the disk counts too little",
        "the disk counts no discards",
        "the file system cannot",
        "the disk counts somebody else's",
        "nothing was discarded",
    ],
)
def test_discard_is_said_as_far_as_it_is_known(
    asked: int | None, counted: int | None, state: DiscardState
) -> None:
    """Proven needs both the request and the disk's own count; the deletion alone says nothing."""
    assert tidied(ScriptedVolume(asked=asked, counted=counted)).discard is state


def test_blocks_freed_on_the_open_file_were_asked_for() -> None:
    """Where only the open file can be trimmed, that is a request nobody confirms."""
    volume = ScriptedVolume(asked=None, counted=None)

    assert tidied(volume, OpenFile(released=True)).discard is DiscardState.ASKED


def test_quietly_the_file_is_closed_and_nothing_else_asked() -> None:
    """When a take has begun or the drive fails, no discard and no flush follows."""
    volume, file = ScriptedVolume(asked=100 * MB, counted=100 * MB), OpenFile()
    found = tidied(volume, file, quietly=True)

    assert file.calls == ["close"]
    assert volume.calls == []
    assert found == Tidied(discard=DiscardState.NOT_POSSIBLE, space_returned=None)


def test_a_little_growth_of_others_is_no_missing_space() -> None:
    """A log that grew by 5 MB meanwhile is not taken for a snapshot."""
    volume = ScriptedVolume(asked=None, counted=None, free_after=995 * MB)

    assert tidied(volume).space_returned is True


def test_the_file_is_closed_even_when_the_drive_refuses_everything() -> None:
    """A drive that is gone cannot keep the descriptor open."""

    class Refusing(OpenFile):
        """Refuses what it is asked, as a pulled drive does."""

        def extents(self) -> tuple[Extent, ...]:
            """Refuse."""
            raise OSError(5, "Input/output error")

    file = Refusing()
    tidied(ScriptedVolume(asked=None, counted=None), file)

    assert file.calls[-1] == "close"
