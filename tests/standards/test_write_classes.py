"""Guaranteed sustained write classes as a ladder.

Sources: SD Association, Speed Class (names; values by card makers, E-classes from memory); CompactFlash
Association VPG (200 to 1600 by secondary sources, 20, 65 and 130 from memory).
"""

import pytest

from tests.agent.evidence.judging import shipped_formats

VALUES = {
    "C2": 2, "C4": 4, "C6": 6, "C10": 10, "U1": 10, "U3": 30,
    "V6": 6, "V10": 10, "V30": 30, "V60": 60, "V90": 90,
    "E150": 150, "E300": 300, "E450": 450, "E600": 600,
    "VPG20": 20, "VPG65": 65, "VPG130": 130, "VPG200": 200, "VPG400": 400, "VPG800": 800, "VPG1600": 1600,
}  # fmt: skip


def test_the_ladder_holds_every_class() -> None:
    """Every class is there with its promise."""
    found = {each.name: each.bytes_per_s / 1e6 for each in shipped_formats().write_classes}

    assert found == VALUES


@pytest.mark.parametrize(
    ("rate", "family", "name"),
    [
        (25.0, "video speed class", "V30"),
        (62.5, "video speed class", "V90"),
        (221.0, "video performance guarantee", "VPG400"),
        (90.0, "video speed class", "V90"),
    ],
    ids=["200 Mb/s needs V30", "500 Mb/s needs V90", "UHD HQ 59.94 needs VPG400", "exactly 90"],
)
def test_least_class_for_a_rate(rate: float, family: str, name: str) -> None:
    """The least class is the lowest whose promise covers the rate."""
    found = shipped_formats().least_class_for(rate * 1e6, family=family)

    assert found is not None
    assert found.name == name


def test_no_class_covers_more_than_the_highest() -> None:
    """Above the highest promise there is no class."""
    assert shipped_formats().least_class_for(1.7e9) is None


def test_classes_a_rate_carries() -> None:
    """A floor of 62 MB/s keeps the promise of V60, not of VPG65."""
    names = [each.name for each in shipped_formats().classes_carried_by(62e6)]

    assert names[-1] == "V60"
    assert "VPG65" not in names
