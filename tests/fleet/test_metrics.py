"""The score's figures on cases made by hand."""

from dataclasses import replace

import pytest

from sample_fleet.diary.who import READERS, Reader, reader_on
from sample_fleet.physics.fate import Fate
from sample_fleet.physics.nature import Trouble
from sample_fleet.scoring.calls import Call
from sample_fleet.scoring.media import media_tally
from sample_fleet.scoring.metrics import Case, Tally, score_of, tally
from sample_fleet.studio.invent import Drive, invent
from sample_fleet.truth import Truth, truths


def fate(first: int | None, *, fit: bool = True, cause: Trouble = Trouble.WORN, sudden: bool = False) -> Fate:
    """Make a fate."""
    return Fate(fit_at_start=fit, first_drop_day=first, cause=cause, sudden=sudden)


def call(
    drive: str, day: float, *, predicts: bool = True, cause: str | None = "worn", period: int = 1
) -> Call:
    """Make a call."""
    return Call(
        drive=drive, at_day=day, kind="k", predicts=predicts, cause=cause, episode=f"{drive}-k", period=period
    )


def count(cases: list[Case], calls: list[Call], days: int = 365) -> Tally:
    """Count as the scorer does."""
    return tally(cases, calls, days=days, all_calls=calls)


def test_a_call_within_the_window_before_the_loss_is_foresight() -> None:
    """Called 30.5 days before the loss: recall 1, lead 30.5 days, precision 1."""
    score = score_of(count([Case(drive="a", fate=fate(200))], [call("a", 170.0)]))

    assert score.recall == 1.0
    assert score.precision == 1.0
    assert score.lead_days_median == pytest.approx(30.5)
    assert score.false_calls == 0


@pytest.mark.parametrize(("day", "false", "foreseen"), [(80.4, 1, 0), (80.6, 0, 1), (200.4, 0, 1)])
def test_earlier_than_a_hundred_and_twenty_days_is_false(day: float, false: int, foreseen: int) -> None:
    """The window before a loss at day 200.5 opens at day 80.5."""
    score = score_of(count([Case(drive="a", fate=fate(200))], [call("a", day)]))

    assert (score.false_calls, score.foreseen) == (false, foreseen)


def test_a_call_after_the_loss_is_neither_foresight_nor_false() -> None:
    """A drive that loses frames already is rightly called, too late."""
    score = score_of(count([Case(drive="a", fate=fate(200))], [call("a", 201.0)]))

    assert (score.recall, score.precision, score.false_calls) == (0.0, 1.0, 0)


def test_conditions_that_predict_nothing_count_for_nothing() -> None:
    """Raising something on every drive wins no recall and loses no precision."""
    cases = [Case(drive="a", fate=fate(200)), Case(drive="b", fate=fate(None))]
    score = score_of(count(cases, [call("a", 150.0, predicts=False), call("b", 1.0, predicts=False)]))

    assert score.recall == 0.0
    assert score.precision is None
    assert score.alerts_per_admin_week == pytest.approx(2 / (365 / 7))


def test_a_drive_unfit_when_taken_on_is_no_test_of_foresight() -> None:
    """It is not at risk, yet a call about it is right."""
    cases = [Case(drive="a", fate=fate(14, fit=False, cause=Trouble.CACHE_TOO_SMALL))]
    score = score_of(count(cases, [call("a", 5.0)]))

    assert (score.at_risk, score.recall, score.precision) == (0, None, 1.0)


def test_precision_counts_a_drive_once_and_every_false_alert() -> None:
    """Three right calls on one drive and two false alerts on another: one in three."""
    cases = [Case(drive="a", fate=fate(100)), Case(drive="b", fate=fate(None))]
    calls = [*(call("a", float(d)) for d in (40, 50, 60)), call("b", 10.0), call("b", 90.0, period=2)]
    score = score_of(count(cases, calls))

    assert score.precision == pytest.approx(1 / 3)
    assert score.false_alerts_per_drive_year == pytest.approx(1.0)


def test_an_alert_that_only_grows_more_severe_is_false_once() -> None:
    """Raised and made more severe within the same period: one false alert."""
    calls = [call("b", 10.0), call("b", 12.0)]

    assert count([Case(drive="b", fate=fate(None))], calls).false_calls == 1


def test_the_loss_after_the_story_s_end_still_makes_a_call_right() -> None:
    """A drive that loses frames on day 400 is rightly called on day 350 and no part of recall."""
    score = score_of(count([Case(drive="a", fate=fate(400))], [call("a", 350.0)]))

    assert (score.at_risk, score.false_calls, score.precision) == (0, 0, 1.0)


def test_the_first_right_call_s_cause_is_held_against_the_truth() -> None:
    """Named rightly on the first of two drives only."""
    cases = [Case(drive="a", fate=fate(100)), Case(drive="b", fate=fate(100, cause=Trouble.HOT))]
    score = score_of(count(cases, [call("a", 60.0), call("b", 60.0), call("b", 70.0, cause="too_hot")]))

    assert score.first_cause_right == 0.5


def test_leads_of_sudden_troubles_stand_apart() -> None:
    """A cable that goes overnight does not lower the median lead of gradual troubles."""
    cases = [
        Case(drive="a", fate=fate(100)),
        Case(drive="b", fate=fate(100, cause=Trouble.CABLE, sudden=True)),
    ]
    score = score_of(count(cases, [call("a", 60.0), call("b", 100.2)]))

    assert score.lead_days_median == pytest.approx(40.5)
    assert score.sudden_lead_days_median == pytest.approx(0.3)


def test_three_raisings_within_thirty_days_are_chatter() -> None:
    """Day 1, 12 and 25 is chatter, day 1, 12 and 60 is not."""
    chatter = [call("a", d, period=p) for p, d in enumerate((1.0, 12.0, 25.0), 1)]
    calm = [call("a", d, period=p) for p, d in enumerate((1.0, 12.0, 60.0), 1)]

    assert count([], chatter).chattering == 1
    assert count([], calm).chattering == 0


def test_the_counts_of_two_seeds_add_up() -> None:
    """Recall over two seeds is over all their drives, not the mean of two shares."""
    one = count([Case(drive="a", fate=fate(100))], [call("a", 60.0)])
    other = count([Case(drive=d, fate=fate(100)) for d in "abc"], [])

    assert score_of(one + other).recall == 0.25


def looked_at(day: int, *, slow: bool) -> Truth:
    """Give a travelling drive that wears from day 163 on and loses frames from day 253, looked at on a day.

    It is plugged in before that as often as it takes to be in a slow reader that day, or not.
    """
    studio = invent(42)
    drive = next(d for d in studio.drives if d.nature.key == "drive-117")
    before = next(n for n in range(8) if (_on(drive, n, day) is READERS[2]) is slow)
    seen = replace(drive, seen_days=(*range(1, before + 1), day))
    return next(truths(replace(studio, drives=(seen,)), last_day=365))


def _on(drive: Drive, before: int, day: int) -> Reader | None:
    return reader_on(replace(drive, seen_days=(*range(1, before + 1), day)), day)


@pytest.mark.parametrize(
    ("day", "slow", "seen", "hidden"),
    [(243, False, 1, 0), (243, True, 0, 1), (100, False, 0, 0), (260, False, 0, 0)],
    ids=["short", "short, in a slow reader", "not short yet", "lost already"],
)
def test_a_look_counts_where_its_reader_can_show_what_is_short(
    day: int, slow: bool, seen: int, hidden: int
) -> None:
    """A reader that carries less than the role asks shows itself: those looks are counted apart."""
    truth = looked_at(day, slow=slow)
    warning = call(truth.drive.nature.key, day + 0.5)

    warned = media_tally([truth], [warning], days=365)
    silent = media_tally([truth], [], days=365)

    assert (warned.losing, warned.seen_short, warned.hidden, warned.warned) == (1, seen, hidden, seen)
    assert (silent.seen_short, silent.hidden, silent.warned) == (seen, hidden, 0)
