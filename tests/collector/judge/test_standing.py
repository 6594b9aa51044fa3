"""A subject's standing over time."""

from dataclasses import replace
from datetime import timedelta

import pytest
from ebbmark_agent.evidence.standing import HowLong, MinutesKind
from ebbmark_agent.evidence.standing import Standing as Word
from ebbmark_agent.report import DiscardState, ProbeKind, ProbeOutcome
from ebbmark_collector.judge import Ground, Incident, PathNow, TakePoint, stand
from ebbmark_collector.judge.standing import shown_beneath
from hypothesis import given
from hypothesis import strategies as st

from tests.collector.judge.past import (
    MB,
    NOW,
    PATH,
    a_fit,
    a_past,
    a_probe,
    a_role,
    a_soak,
    a_spot,
    days_ago,
    spots,
)

ROLE = a_role()  # 200 MB/s, 240 asked


@pytest.mark.parametrize(
    ("floor", "word"),
    [
        pytest.param(240.0, Word.FIT, id="at the demand"),
        pytest.param(239.9, Word.MARGINAL, id="just under the demand"),
        pytest.param(200.0, Word.MARGINAL, id="at the rate"),
        pytest.param(199.9, Word.UNFIT, id="just under the rate"),
    ],
)
def test_it_is_the_latest_soaks(floor: float, word: Word) -> None:
    """The standing is that of the latest soak on the path in use."""
    standing = stand(a_past(a_soak(ROLE, 60, 500 * MB), a_soak(ROLE, 10, floor * MB)), ROLE, NOW)

    assert standing.word is word
    assert standing.floor_bytes_per_s == floor * MB


def test_without_a_soak_it_is_unproven() -> None:
    """Spots alone prove nothing, however fast."""
    standing = stand(a_past(*spots([2000 * MB] * 30)), ROLE, NOW)

    assert standing.word is Word.UNPROVEN
    assert standing.rests_on(Ground.NO_SOAK)


def test_without_a_role_it_is_unproven() -> None:
    """Nothing is asked, so nothing is answered."""
    assert stand(a_past(a_soak(ROLE, 1, 500 * MB)), None, NOW).word is Word.UNPROVEN


def test_fit_ages_into_unproven_on_the_day_its_validity_ends() -> None:
    """A soak speaks for the role's validity and not a moment longer."""
    soak = a_soak(ROLE, 90, 500 * MB, duration_s=0.0)
    end = soak.at + timedelta(days=90)

    assert stand(a_past(soak), ROLE, end - timedelta(seconds=1)).word is Word.FIT
    assert stand(a_past(soak), ROLE, end).word is Word.UNPROVEN


def test_unfit_does_not_age() -> None:
    """A shown failure needs no more proof, and time does not heal it."""
    assert stand(a_past(a_soak(ROLE, 300, 100 * MB)), ROLE, NOW).word is Word.UNFIT


def test_a_soak_on_another_path_speaks_for_that_path_only() -> None:
    """Plugged in elsewhere, the drive is unproven until it is soaked there."""
    standing = stand(a_past(a_soak(ROLE, 5, 500 * MB, path_key="usb/bridge/uas/5 Gb/s")), ROLE, NOW)

    assert standing.word is Word.UNPROVEN
    assert standing.rests_on(Ground.OTHER_PATH)


@pytest.mark.parametrize("outcome", [o for o in ProbeOutcome if o is not ProbeOutcome.COMPLETED])
def test_a_probe_that_gave_way_never_counts(outcome: ProbeOutcome) -> None:
    """Neither a slow nor a fast probe counts if it did not run to its end."""
    slow = a_soak(ROLE, 1, 10 * MB, outcome=outcome)
    spot = a_spot(0.5, 10 * MB, outcome=outcome)

    assert stand(a_past(a_soak(ROLE, 9, 500 * MB), slow, spot), ROLE, NOW).word is Word.FIT


def test_two_slow_spots_lower_nothing_and_three_in_a_row_do() -> None:
    """Two nights running may have met the drive's own tidying; three in a row are believed."""
    base = (a_soak(ROLE, 30, 500 * MB), *spots([900 * MB] * 15, until=2))

    slow = spots([120 * MB, 110 * MB, 110 * MB])
    two = stand(a_past(*base, *slow[1:]), ROLE, NOW)
    three = stand(a_past(*base, *slow), ROLE, NOW)

    assert two.word is Word.FIT
    assert three.word is Word.UNFIT
    assert three.rests_on(Ground.LOWERED_BY_SPOT)


def test_one_slow_spot_is_enough_where_the_link_explains_it() -> None:
    """A link below its best and a spot beneath the rate agree with each other."""
    path = PathNow(key=PATH, link_now_bytes_per_s=150 * MB, link_best_bytes_per_s=600 * MB)

    past = a_past(a_soak(ROLE, 30, 500 * MB), a_spot(0, 120 * MB), facts={"path": path})

    assert stand(past, ROLE, NOW).word is Word.UNFIT


def test_a_link_that_carried_it_before_explains_no_single_slow_spot() -> None:
    """Where a soak and spots carried the rate over a slow link, one low night is chance, three are not."""
    path = PathNow(key=PATH, link_now_bytes_per_s=300 * MB, link_best_bytes_per_s=600 * MB)
    rate = ROLE.demand.rate_bytes_per_s if ROLE.demand else 0.0
    carried, slow = 1.1 * rate, 0.97 * rate

    def word(*floors: float, soaked: bool = True) -> Word:
        soak = (a_soak(ROLE, 30, carried),) if soaked else ()
        return stand(a_past(*soak, *spots(list(floors)), facts={"path": path}), ROLE, NOW).word

    assert word(carried, slow) is Word.MARGINAL
    assert word(slow, slow, slow) is Word.UNFIT
    assert word(slow, soaked=False) is Word.UNFIT
    assert word(carried, slow, soaked=False) is not Word.UNFIT


def test_unrested_spots_lower_nothing() -> None:
    """A spot right after other writing says what that left of the cache."""
    slow = spots([120 * MB, 110 * MB, 115 * MB], rest_before_s=60.0)

    assert stand(a_past(a_soak(ROLE, 30, 500 * MB), *slow), ROLE, NOW).word is Word.FIT


def test_a_fast_spot_raises_nothing() -> None:
    """Later spots may lower a standing, never raise it."""
    past = a_past(a_soak(ROLE, 20, 210 * MB), *spots([900 * MB] * 15))

    assert stand(past, ROLE, NOW).word is Word.MARGINAL


def test_a_saturated_take_lowers_it() -> None:
    """A recording that the drive could not keep up with is evidence like a probe."""
    take = TakePoint(
        take_id="t",
        at=days_ago(1),
        duration_s=600,
        written_bytes=10**11,
        mean_bytes_per_s=170 * MB,
        path_key=PATH,
        saturated=True,
        saturated_floor_bytes_per_s=120 * MB,
    )

    standing = stand(a_past(a_soak(ROLE, 20, 500 * MB), takes=(take,)), ROLE, NOW)

    assert standing.word is Word.UNFIT
    assert standing.rests_on(Ground.LOWERED_BY_TAKE)


def test_a_rehearsal_lifts_unfit_to_marginal_and_shows_both() -> None:
    """Greedily unfit but rehearsed without a late frame is marginal, never fit."""
    paced = a_probe(ProbeKind.REHEARSAL, days_ago(2), 200 * MB, fit=a_fit(ROLE, 200 * MB, word=Word.FIT))

    standing = stand(a_past(a_soak(ROLE, 5, 150 * MB), paced), ROLE, NOW)

    assert standing.word is Word.MARGINAL
    assert standing.rests_on(Ground.REHEARSAL)
    assert standing.rests_on(Ground.SOAK)


def test_an_incident_makes_it_unfit_until_a_later_soak_is_fit() -> None:
    """Frames lost weigh more than any probe before them, and a fit soak after them clears it."""
    lost = Incident(incident_id="i", happened_at=days_ago(4), reported_by="Imre")
    before = a_past(a_soak(ROLE, 9, 500 * MB), incidents=(lost,))
    after = a_past(a_soak(ROLE, 9, 500 * MB), a_soak(ROLE, 2, 500 * MB), incidents=(lost,))

    assert stand(before, ROLE, NOW).word is Word.UNFIT
    assert stand(before, ROLE, NOW).shown is Word.FIT
    assert stand(after, ROLE, NOW).word is Word.FIT


def test_a_wrong_read_back_makes_it_unfit() -> None:
    """A drive that gives back something else than was written is unfit at any speed."""
    standing = stand(a_past(a_soak(ROLE, 9, 500 * MB), a_spot(1, 900 * MB, read_back_ok=False)), ROLE, NOW)

    assert standing.word is Word.UNFIT
    assert standing.rests_on(Ground.READ_BACK)


@pytest.mark.parametrize(
    ("changes", "facts", "word"),
    [
        pytest.param({}, {}, Word.UNPROVEN, id="just written"),
        pytest.param({"discard": DiscardState.PROVEN}, {}, Word.FIT, id="discard proven"),
        pytest.param({"discard": DiscardState.ASKED}, {}, Word.UNPROVEN, id="discard only asked for"),
        pytest.param({}, {"erased_at": NOW}, Word.FIT, id="a person erased it"),
    ],
)
def test_fit_waits_for_the_debt_of_a_soak(changes: dict, facts: dict, word: Word) -> None:
    """After a soak the drive owes rest or an erasure, where the answer leans on its cache."""
    role = a_role(take_s=600.0, rest_before_take_s=600.0)
    leaning = replace(a_fit(role, 500 * MB), from_rest=HowLong(kind=MinutesKind.PROVEN_FOR, minutes=10.0))
    soak = a_probe(ProbeKind.SOAK, NOW - timedelta(hours=1), 500 * MB, fit=leaning, **changes)

    assert stand(a_past(soak, facts=facts), role, NOW).word is word
    assert stand(a_past(soak, facts=facts), role, NOW + timedelta(hours=7)).word is Word.FIT


@given(st.permutations([a_soak(ROLE, 40, 500 * MB), *spots([900 * MB, 150 * MB, 140 * MB, 880 * MB])]))
def test_the_order_in_which_reports_arrive_does_not_matter(probes: list) -> None:
    """Late, repeated and reordered reports give the same standing."""
    expected = stand(a_past(*sorted(probes, key=lambda p: p.at)), ROLE, NOW)

    assert stand(a_past(*probes, *probes), ROLE, NOW) == expected


@given(st.lists(st.floats(1.0, 2000.0), max_size=12))
def test_more_spots_never_raise_a_standing(floors: list[float]) -> None:
    """Whatever later spots say, the standing is at most the soak's."""
    order = {Word.FIT: 2, Word.MARGINAL: 1, Word.UNFIT: 0}
    soak = a_soak(ROLE, 30, 220 * MB)

    standing = stand(a_past(soak, *spots([f * MB for f in floors])), ROLE, NOW)

    assert order[standing.word] <= order[Word.MARGINAL]


def test_a_reading_far_beneath_what_the_link_carries_needs_its_neighbours() -> None:
    """A link of 150 MB/s explains a night of 120 MB/s, not one of 60 MB/s."""
    night = days_ago(1)

    assert shown_beneath([(night, 120.0)], 130.0, alone_from=90.0) == (night, 120.0)
    assert shown_beneath([(night, 60.0)], 130.0, alone_from=90.0) is None


def test_a_reading_is_shown_by_its_neighbours() -> None:
    """Three neighbours just beneath a limit show what two do not."""
    near = [(days_ago(3), 101.0), (days_ago(2), 99.0), (days_ago(1), 99.0)]

    assert shown_beneath(near, 100.0, alone_from=None) is None
    assert shown_beneath(near, 100.0, alone_from=0.0) == (days_ago(1), 99.0)
    assert shown_beneath([*near, (NOW, 98.5)], 100.0, alone_from=None) == (NOW, 98.5)
