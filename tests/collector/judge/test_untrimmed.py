"""A drive not told of freed blocks any more: what its soaks since tell, and when the next one is due."""

from datetime import timedelta
from math import exp, sqrt

import pytest
from ebbmark_collector.judge.history import SubjectHistory
from ebbmark_collector.judge.untrimmed import (
    CONFIRM_DAYS,
    FIRST_DAYS,
    SLOWER_SIGMAS,
    next_soak_days,
    runs_short,
)
from hypothesis import given
from hypothesis import strategies as st

from tests.collector.judge.past import MB, NOW, a_past, a_role, a_soak, days_ago

ROLE = a_role(rate=100 * MB)
SINCE = days_ago(30)
RESTLESS = (330.0, 363.0, 330.0, 363.0, 330.0, 363.0, 330.0)  # [MB/s] a tenth up and down, median 330
STEADY = (330.0, 331.0, 330.0, 329.0, 330.0, 331.0, 330.0)  # [MB/s]
SIGMA = 0.0999  # [1] by hand: 1.4826 / sqrt(2) times every step's ln(363 / 330) = 0.0953


def soaked(before: tuple[float, ...], *after: float) -> SubjectHistory:
    """Soak a drive every month until trim stopped 30 days ago, and since then every week, yesterday last."""
    old = [a_soak(ROLE, 32 + 30 * i, mb * MB, lasting_bytes_per_s=mb * MB) for i, mb in enumerate(before)]
    new = [
        a_soak(ROLE, 1 + 7 * i, mb * MB, lasting_bytes_per_s=mb * MB) for i, mb in enumerate(reversed(after))
    ]
    return a_past(*old, *new)


def told(past: SubjectHistory) -> bool:
    """Say whether it is foretold to run short, before the calendar alone would."""
    return runs_short(past, SINCE, NOW, horizon_days=45.0)


def test_a_slower_soak_is_believed_at_once_where_soaks_hardly_differ() -> None:
    """Nine percent less than ever."""
    assert told(soaked(STEADY, 300))
    assert not told(soaked(STEADY, 320))


def test_a_slower_soak_is_not_believed_where_soaks_always_differed_so() -> None:
    """So many sigma beneath their median, and a mean of two at 1 / sqrt(2) of that."""
    one, two = (330 * exp(-SLOWER_SIGMAS * SIGMA / sqrt(count)) for count in (1, 2))

    assert not told(soaked(RESTLESS, 300))
    assert (told(soaked(RESTLESS, one * 1.01)), told(soaked(RESTLESS, one * 0.99))) == (False, True)
    assert (
        told(soaked(RESTLESS, two * 1.01, two * 1.01)),
        told(soaked(RESTLESS, two * 0.99, two * 0.99)),
    ) == (
        False,
        True,
    )


def test_one_that_may_be_slower_is_soaked_again_within_a_week_once() -> None:
    """The second one tells; after that soaks go on as they do without trim."""
    assert next_soak_days(soaked(RESTLESS, 300), SINCE, NOW) == CONFIRM_DAYS
    assert next_soak_days(soaked(RESTLESS, 335), SINCE, NOW) == FIRST_DAYS
    assert next_soak_days(soaked(RESTLESS, 300, 335), SINCE, NOW) == FIRST_DAYS
    assert next_soak_days(soaked(RESTLESS, 300, 301), SINCE, NOW) == FIRST_DAYS


def test_without_a_soak_since_the_first_is_due_two_weeks_into_it() -> None:
    """However long ago the last one was; a drive without any soak has none to count from."""
    assert next_soak_days(soaked(STEADY), SINCE, NOW) == pytest.approx(2 + 14)
    assert next_soak_days(a_past(), SINCE, NOW) is None


@given(
    before=st.lists(st.floats(min_value=50, max_value=500), max_size=8),
    after=st.lists(st.floats(min_value=50, max_value=500), max_size=4),
    slower=st.floats(min_value=0.3, max_value=1.0),
)
def test_a_slower_last_soak_never_lets_it_off(before: list[float], after: list[float], slower: float) -> None:
    """Had the last soak been slower still, what was foretold would be foretold all the same."""
    past = soaked(tuple(before), *after)
    if not after:
        assert told(past) is False  # thirty days by the calendar
        return

    if told(past):
        assert told(soaked(tuple(before), *after[:-1], after[-1] * slower))


@given(
    after=st.lists(st.floats(min_value=50, max_value=500), min_size=1, max_size=4), into=st.integers(0, 400)
)
def test_the_next_soak_comes_before_patience_ends(after: list[float], into: int) -> None:
    """A drive left half as long again after a soak well into it is soaked within that time."""
    since = days_ago(31) - timedelta(days=into)
    into_it = 30 + into  # its last soak was yesterday

    days = next_soak_days(soaked(STEADY, *after), since, NOW)

    assert days is not None
    assert CONFIRM_DAYS <= days <= 0.5 * into_it
