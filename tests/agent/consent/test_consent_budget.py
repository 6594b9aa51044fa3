"""What probing may cost a drive, worked by hand."""

from datetime import UTC, datetime, timedelta
from pathlib import PurePath
from typing import Any

import pytest
from ebbmark_agent.consent import Spending, look_for_clips, spent_bytes, wear_budget

NOW = datetime(2026, 3, 10, tzinfo=UTC)
PLAIN: dict[str, Any] = {
    "rated_endurance_bytes": 600_000_000_000_000,
    "wear_share_a_year": 0.01,
    "unrated_bytes_a_day": 4_000_000_000,
    "capacity_bytes": 1_000_000_000_000,
    "removable": False,
    "card_writes_a_year": 4.0,
    "by_hand": False,
    "spent": 0,
}


@pytest.mark.parametrize(
    ("change", "allowed"),
    [
        ({}, 6_000_000_000_000),
        ({"rated_endurance_bytes": None}, 1_460_000_000_000),
        ({"removable": True}, 0),
        ({"removable": True, "by_hand": True}, 4_000_000_000_000),
        ({"removable": True, "by_hand": True, "capacity_bytes": None}, 0),
    ],
    ids=["one-percent-of-600-TB", "4-GB-a-day", "card-automatic", "card-by-hand", "card-unknown-size"],
)
def test_budgets(change: dict[str, Any], allowed: int) -> None:
    """The budget follows rated endurance, else a stated rate; cards have whole writes by hand only."""
    assert wear_budget(**PLAIN | change).allowed_bytes == allowed


def test_what_is_left_never_falls_below_zero() -> None:
    """A budget overspent by hand has nothing left, not less."""
    assert wear_budget(**PLAIN | {"spent": 7_000_000_000_000}).left_bytes == 0


def test_only_the_last_year_counts() -> None:
    """Spendings older than 365 days are forgiven; one in the future, after a clock jump, counts."""

    def on(days: float, size: int) -> Spending:
        return Spending(at=NOW + timedelta(days=days), written_bytes=size, by_hand=False)

    assert spent_bytes((on(-365, 1), on(-364.9, 10), on(-1, 100), on(2, 1000)), now=NOW) == 1110


@pytest.mark.parametrize(
    ("path", "is_folder", "clips"),
    [
        ("DCIM", True, 1),
        ("PRIVATE/CLIP", True, 1),
        ("A001/A001C003.mov", False, 1),
        ("deep/er/and/deeper/x.WAV", False, 1),
        ("notes.txt", False, 0),
        ("docs/audio/old/clip", True, 0),
        (".trash", True, 0),
    ],
)
def test_signs_of_clips(path: str, is_folder: bool, clips: int) -> None:
    """Recorder folders near the top and picture or sound files anywhere are signs of clips."""
    assert look_for_clips([(PurePath(path), is_folder)]).clips == clips


def test_too_many_entries_are_not_looked_through() -> None:
    """A medium with more entries than looked at counts as not looked through."""
    entries = [(PurePath(f"n{n}.txt"), False) for n in range(11)]

    assert not look_for_clips(entries, most=10).complete
    assert look_for_clips(entries, most=11).complete
