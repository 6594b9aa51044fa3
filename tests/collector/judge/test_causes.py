"""Causes, ranked: the first one is what an admin acts on."""

from typing import Any

import pytest
from ebbmark_collector.judge import CauseKind, PathNow, causes, outlook, stand
from ebbmark_collector.judge.history import SubjectHistory

from tests.collector.judge.past import MB, NOW, PATH, a_health, a_past, a_role, a_soak, spots

ROLE = a_role(hot_c=75.0)
FINE = {"media_errors": 0, "interface_crc_errors": 0, "percentage_used": 20}


def _first(past: SubjectHistory) -> CauseKind:
    found = causes(past, ROLE, stand(past, ROLE, NOW), outlook(past, ROLE, NOW), NOW)
    return found[0].kind


def _slow(
    *, facts: dict[str, Any] | None = None, last: dict[str, Any] | None = None, **soak: Any
) -> SubjectHistory:
    reads = (a_health(60, **FINE), a_health(30, **FINE), a_health(1, **(FINE | (last or {}))))
    first = a_soak(ROLE, 90, 400 * MB, fill_start=0.4, temperature_hottest_c=55.0)
    return a_past(first, a_soak(ROLE, 1, 150 * MB, **soak), facts=facts, health=reads)


@pytest.mark.parametrize(
    ("past", "kind"),
    [
        pytest.param(_slow(temperature_hottest_c=84.0), CauseKind.TOO_HOT, id="hot"),
        pytest.param(_slow(facts={"fill": 0.96}, fill_start=0.96), CauseKind.TOO_FULL, id="full"),
        pytest.param(_slow(last={"percentage_used": 97}), CauseKind.WORN, id="worn"),
        pytest.param(_slow(facts={"trim": False}), CauseKind.NOT_TRIMMED, id="not trimmed"),
        pytest.param(_slow(last={"media_errors": 9}), CauseKind.FAILING_MEDIA, id="failing"),
        pytest.param(_slow(last={"interface_crc_errors": 400}), CauseKind.CABLE_OR_READER, id="cable"),
        pytest.param(
            _slow(
                facts={
                    "path": PathNow(key=PATH, link_now_bytes_per_s=150 * MB, link_best_bytes_per_s=600 * MB)
                }
            ),
            CauseKind.LINK_BELOW_BEST,
            id="link",
        ),
        pytest.param(_slow(waited_for_data_s=20.0), CauseKind.BACKGROUND_LOAD, id="machine was busy"),
        pytest.param(_slow(), CauseKind.UNKNOWN, id="nothing known"),
    ],
)
def test_the_first_cause_is_the_one_whose_facts_moved(past: SubjectHistory, kind: CauseKind) -> None:
    """One fact that moved with the rate names the cause."""
    assert _first(past) is kind


def test_a_cable_is_not_blamed_on_the_drive() -> None:
    """CRC errors beside a slow drive name the cable first and never failing media."""
    past = _slow(last={"interface_crc_errors": 900})

    kinds = [c.kind for c in causes(past, ROLE, stand(past, ROLE, NOW), outlook(past, ROLE, NOW), NOW)]

    assert kinds[0] is CauseKind.CABLE_OR_READER
    assert CauseKind.FAILING_MEDIA not in kinds


def test_a_drive_built_with_a_small_cache_is_not_called_failing() -> None:
    """Unfit since its first soak, past its cache: that is how it was made."""
    soaks = [
        a_soak(ROLE, d, 90 * MB, cliff_at_bytes=40_000_000_000, cliff_floor_bytes_per_s=90 * MB)
        for d in (60, 30, 1)
    ]

    assert _first(a_past(*soaks)) is CauseKind.CACHE_SMALLER_THAN_TAKE


def test_failing_media_outweighs_heat() -> None:
    """A hot drive that loses sectors is failing."""
    assert _first(_slow(temperature_hottest_c=84.0, last={"media_errors": 9})) is CauseKind.FAILING_MEDIA


def test_a_soak_that_slowed_where_it_filled_the_drive_names_the_fill() -> None:
    """Slow only now that it ended at 95 % of the drive; a volume that reads half full hides that."""
    soaks = [a_soak(ROLE, d, 400 * MB, fill_start=0.38) for d in (91, 61, 31)]
    past = a_past(*soaks, a_soak(ROLE, 1, 230 * MB, fill_start=0.55), facts={"fill": 0.55})

    assert _first(past) is CauseKind.TOO_FULL


@pytest.mark.parametrize(
    ("soaked_mb", "used_before", "kind"),
    [
        pytest.param(560, 70, CauseKind.WORN, id="both probes see past the cache"),
        pytest.param(250, 70, CauseKind.FAILING_MEDIA, id="short ones see the cache"),
        pytest.param(560, 77, CauseKind.FAILING_MEDIA, id="wear hardly moved meanwhile"),
    ],
)
def test_wear_explains_short_probes_that_sank_only_where_there_is_no_cache_and_wear_moved(
    soaked_mb: float, used_before: int, kind: CauseKind
) -> None:
    """Wear slows what lies past the cache, and no faster than it goes on itself."""
    sinking = spots([700 * MB] * 40 + [700 * MB * 0.992**i for i in range(40)])
    reads = (
        a_health(60, **(FINE | {"percentage_used": used_before})),
        a_health(1, **(FINE | {"percentage_used": 79})),
    )
    past = a_past(a_soak(ROLE, 3, soaked_mb * MB), *sinking, health=reads)

    assert _first(past) is kind


def test_every_cause_has_facts_and_one_next_step() -> None:
    """Never a bare word."""
    past = _slow(temperature_hottest_c=84.0, facts={"fill": 0.97, "trim": False}, last={"media_errors": 9})

    for cause in causes(past, ROLE, stand(past, ROLE, NOW), outlook(past, ROLE, NOW), NOW):
        assert cause.facts
        assert cause.next_step.endswith(".")


def test_without_anything_known_the_next_step_tells_what_would_tell() -> None:
    """Unknown is an answer with a way on."""
    past = a_past(*spots([500 * MB] * 3))

    found = causes(past, ROLE, stand(past, ROLE, NOW), outlook(past, ROLE, NOW), NOW)

    assert [c.kind for c in found] == [CauseKind.UNKNOWN]
    assert "another machine" in found[0].next_step


def test_heat_that_a_drive_is_far_from_explains_nothing() -> None:
    """Eight degrees warmer than at first and still cool, while the short probes sank: its medium fails."""
    soaks = [a_soak(ROLE, 90, 500 * MB, temperature_hottest_c=50.0)]
    soaks += [a_soak(ROLE, 3, 350 * MB, temperature_hottest_c=58.0)]
    sinking = spots([900 * MB] * 40 + [900 * MB * 0.98**i for i in range(20)], temperature_hottest_c=40.0)
    past = a_past(*soaks, *sinking)

    found = causes(past, ROLE, stand(past, ROLE, NOW), outlook(past, ROLE, NOW), NOW)

    assert found[0].kind is CauseKind.FAILING_MEDIA
    assert CauseKind.TOO_HOT not in {c.kind for c in found}


def test_warmth_at_rest_beside_throttling_outweighs_wear_that_was_always_there() -> None:
    """A drive pinned at its throttling heat grows slower, not hotter; at rest it shows lost cooling."""
    soaks = [a_soak(ROLE, 30 * i, (300 + 40 * i) * MB, temperature_hottest_c=86.0) for i in range(4)]
    health = [
        a_health(d, temperature_c=44.0 if d > 20 else 50.0, percentage_used=73) for d in range(100, 0, -1)
    ]
    past = a_past(*soaks, health=tuple(health))

    found = causes(past, ROLE, stand(past, ROLE, NOW), outlook(past, ROLE, NOW), NOW)

    assert found[0].kind is CauseKind.TOO_HOT
