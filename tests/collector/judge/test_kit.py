"""How far a kit's good media reach."""

import pytest
from ebbmark_collector.judge.kit import cover
from hypothesis import given
from hypothesis import strategies as st

HOURS = st.lists(st.floats(0.1, 24.0), max_size=12)


@pytest.mark.parametrize(
    ("hours", "asked", "copies", "reach"),
    [
        ([2.0, 2.0, 2.0], 4.0, 1, (True, 6.0, 2, 1)),
        ([2.0, 2.0, 2.0], 4.0, 2, (False, 2.0, 2, 0)),  # the third has nothing to be mirrored with
        ([4.0, 1.0, 4.0, 1.0], 5.0, 2, (True, 5.0, 4, 0)),  # like goes with like, however they lie
        ([4.0, None], 5.0, 1, (False, 4.0, 1, 0)),  # a size nobody knows covers nothing
        ([], 1.0, 1, (False, 0.0, 0, 0)),
    ],
)
def test_a_kit_covers_what_its_media_do(
    hours: list[float | None], asked: float, copies: int, reach: tuple[bool, float, int, int]
) -> None:
    """Single slots add up; mirrored ones reach as far as the shorter of two."""
    found = cover(hours, asked_hours=asked, copies=copies)

    assert (found.enough, found.hours_in_all, found.media_needed, found.spares) == reach


@given(HOURS, st.floats(0.1, 100.0))
def test_a_mirrored_kit_reaches_at_most_half_as_far(hours: list[float], asked: float) -> None:
    """Two copies never last longer than half of what one copy would."""
    single = cover(hours, asked_hours=asked, copies=1)
    mirrored = cover(hours, asked_hours=asked, copies=2)

    assert mirrored.hours_in_all <= single.hours_in_all / 2 + 1e-9
    assert single.enough or not mirrored.enough


@given(HOURS, st.floats(0.1, 24.0), st.floats(0.1, 100.0), st.integers(1, 2))
def test_one_more_good_medium_never_harms(hours: list[float], more: float, asked: float, copies: int) -> None:
    """A kit with a medium more reaches at least as far, and none is both needed and spare."""
    before = cover(hours, asked_hours=asked, copies=copies)
    after = cover([*hours, more], asked_hours=asked, copies=copies)

    assert after.hours_in_all >= before.hours_in_all - 1e-9
    assert after.media_needed + after.spares <= len(hours) + 1
    assert after.enough or not before.enough
