"""Reach: a whole pass, settled or flat so far, and what is known of each side."""

import pytest
from ebbmark_agent.evidence import ProbeKind, SoakEnd, Standing, covers_whole_medium, fit, reach_sentence

from tests.agent.evidence.judging import GB, MB, asked, evidence, staged

FLAT = staged((200 * MB, 100 * GB), block_bytes=64 * MB)


@pytest.mark.parametrize(
    ("capacity_gb", "whole"), [(100, True), (111, True), (112, False), (1000, False)], ids=str
)
def test_a_whole_pass_is_nine_tenths_of_what_is_filled(capacity_gb: int, whole: bool) -> None:
    """File system and reserve take the rest: 100 GB cover 111 GB and not 112 GB."""
    assert covers_whole_medium(evidence(FLAT, capacity_bytes=capacity_gb * 10**9), fills_bytes=None) is whole


def test_what_the_role_fills_outweighs_the_volumes_size() -> None:
    """A role that fills 50 GB of a large volume is covered by 100 GB, one that fills 200 GB is not."""
    probe = evidence(FLAT, capacity_bytes=int(4000 * GB))

    assert covers_whole_medium(probe, fills_bytes=50 * GB)
    assert not covers_whole_medium(probe, fills_bytes=200 * GB)


@pytest.mark.parametrize("kind", [ProbeKind.SOAK, ProbeKind.REHEARSAL, ProbeKind.READ, ProbeKind.COPY])
def test_only_a_spot_never_covers(kind: ProbeKind) -> None:
    """Any long probe may cover a medium; a spot does not set out to."""
    assert covers_whole_medium(evidence(FLAT, kind=kind), fills_bytes=None)
    assert not covers_whole_medium(evidence(FLAT, kind=ProbeKind.SPOT), fills_bytes=None)


def test_a_small_empty_volume_is_covered_when_its_room_is_used_up() -> None:
    """Tables, journal and reserve of a small volume do not make its whole room less than whole."""
    facts = {"capacity_bytes": int(125 * GB), "soak_end": SoakEnd.WHOLE_MEDIUM}

    assert covers_whole_medium(evidence(FLAT, fill_start=0.06, **facts), fills_bytes=None)
    assert not covers_whole_medium(evidence(FLAT, fill_start=0.2, **facts), fills_bytes=None)
    assert not covers_whole_medium(evidence(FLAT, fill_start=None, **facts), fills_bytes=None)
    larger = facts | {"capacity_bytes": int(140 * GB)}
    assert not covers_whole_medium(evidence(FLAT, fill_start=0.06, **larger), fills_bytes=None)


def test_a_budget_is_no_whole_medium() -> None:
    """A soak that ended at its budget, on a volume of unknown size, covers nothing beyond its bytes."""
    probe = evidence(FLAT, capacity_bytes=None, soak_end=SoakEnd.BUDGET)

    assert not covers_whole_medium(probe, fills_bytes=None)


def test_every_side_is_told() -> None:
    """A reach is told with bytes, heat, fill, rest, path, file system and layout."""
    reach = fit(evidence(FLAT), asked(100)).reach
    assert reach is not None

    told = reach_sentence(reach)

    assert told == (
        "proven to 100 GB, to 51 C, from empty, after 2 h of rest, over USB 10 Gb/s, "
        "through ext4 (preallocated)"
    )


def test_what_was_not_read_is_said() -> None:
    """An unknown side is named as not read, never as fine."""
    probe = evidence(FLAT, hottest_c=None, fill_start=None, rest_before_s=None)
    reach = fit(probe, asked(100)).reach
    assert reach is not None

    assert reach_sentence(reach).endswith("; not read: heat, fill, rest")


@pytest.mark.parametrize(("rotational", "told"), [(True, True), (False, False), (None, False)])
def test_the_position_is_told_of_disks_only(rotational: bool | None, told: bool) -> None:
    """Where on the medium it wrote sets the rate of a disk and says nothing of flash."""
    probe = evidence(FLAT, rotational=rotational, position_start=0.1, position_end=0.95)
    reach = fit(probe, asked(100)).reach
    assert reach is not None

    assert ("tracks 10% to 95% of the way in" in reach_sentence(reach)) is told


def test_only_a_fit_is_called_proven() -> None:
    """Of any other standing the same sides are shown, not proven."""
    reach = fit(evidence(FLAT, fill_start=0.4), asked(300)).reach
    assert reach is not None

    told = reach_sentence(reach, standing=Standing.UNFIT)

    assert told.startswith("shown to 100 GB")
    assert "from 40% full" in told
