"""The life of an alert: every row of the table, and the rules around it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from ebbmark_collector.alerts import (
    TABLE,
    AlertState,
    Condition,
    ConditionKind,
    Event,
    Key,
    Phase,
    Severity,
    Shelf,
    Sight,
    Transition,
    acknowledge,
    shelve,
    step,
    unshelve,
)
from ebbmark_collector.alerts.defaults import DEFAULTS
from ebbmark_collector.alerts.lifecycle import Delay, Row
from ebbmark_collector.errors import DocumentError
from hypothesis import given
from hypothesis import strategies as st

START = datetime(2031, 6, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
DELAY_S = 7200.0


def seen(sight: Sight, *, severity: Severity = Severity.MAJOR, delay_s: float = DELAY_S) -> Condition:
    """Give a condition with equal delays."""
    return Condition(
        subject_id="drive-1",
        kind=ConditionKind.TOO_HOT,
        sight=sight,
        severity=severity,
        on_delay_s=delay_s,
        off_delay_s=delay_s,
        because="It has cooled down.",
    )


KEY = seen(Sight.PRESENT).key


def state_in(phase: Phase, *, since: datetime = START, severity: Severity = Severity.MAJOR) -> AlertState:
    """Give an alert that stands in a phase since an instant."""
    return AlertState(
        key=KEY,
        phase=phase,
        phase_since=since,
        severity=severity,
        condition=seen(Sight.PRESENT),
        raised_at=since,
        times_raised=1 if phase in {Phase.RAISED, Phase.LEAVING} else 0,
    )


class Story:
    """Plays sights one after the other and keeps what came of them."""

    def __init__(self) -> None:
        """Begin with nothing known."""
        self.states: dict[Key, AlertState] = {}
        self.lines: list[Transition] = []

    def play(self, at: datetime, *conditions: Condition) -> None:
        """Take one step."""
        stepped = step(self.states, conditions, at)
        self.states |= {s.key: s for s in stepped.states}
        self.lines += stepped.transitions

    @property
    def events(self) -> list[Event]:
        """Give the history so far."""
        return [t.event for t in self.lines]


@pytest.mark.parametrize("row", TABLE, ids=lambda r: f"{r.phase}-{r.sight}-{r.delay}")
def test_each_row_of_the_table(row: Row) -> None:
    """In its phase, on its sight, with its delay so, an alert goes and tells as the row says."""
    none = row.phase is Phase.QUIET or (row.phase is Phase.RAISED and row.sight is Sight.ABSENT)
    delay_s = 0.0 if row.delay is Delay.OVER and none else DELAY_S
    ran = timedelta(seconds=DELAY_S) if row.delay is Delay.OVER else HOUR
    now = START + ran

    stepped = step({KEY: state_in(row.phase)}, [seen(row.sight, delay_s=delay_s)], now)

    phase = stepped.states[0].phase if stepped.states else row.phase
    told = [e for e in (t.event for t in stepped.transitions) if e in {Event.RAISED, Event.CLEARED}]
    assert phase is row.then
    assert told == ([row.event] if row.event else [])


@pytest.mark.parametrize(("phase", "sight"), [(phase, sight) for phase in Phase for sight in Sight])
def test_the_table_has_an_answer_for_everything(phase: Phase, sight: Sight) -> None:
    """Each phase and sight has either one row, or one for each side of its delay."""
    delays = {r.delay for r in TABLE if r.phase is phase and r.sight is sight}

    assert delays in ({Delay.ANY}, {Delay.RUNNING, Delay.OVER})


def test_a_second_too_short_does_not_raise() -> None:
    """The on-delay must pass in full, and at its very end the alert is raised."""
    story = Story()
    story.play(START, seen(Sight.PRESENT))
    story.play(START + timedelta(seconds=DELAY_S - 1), seen(Sight.PRESENT))
    assert story.events == []

    story.play(START + timedelta(seconds=DELAY_S), seen(Sight.PRESENT))
    assert story.events == [Event.RAISED]


def test_the_deadband_neither_raises_nor_clears() -> None:
    """Between the limit and the deadband's end nothing begins and nothing ends."""
    story = Story()
    for hour in range(0, 10, 2):
        story.play(START + hour * HOUR, seen(Sight.PRESENT if hour % 4 == 0 else Sight.BETWEEN))
    assert story.events == []

    story.play(START + 10 * HOUR, seen(Sight.PRESENT))
    story.play(START + 12 * HOUR, seen(Sight.PRESENT))
    for hour in range(13, 40):
        story.play(START + hour * HOUR, seen(Sight.BETWEEN if hour % 2 else Sight.ABSENT))
    assert story.events == [Event.RAISED]


def test_flapping_faster_than_the_delays_says_one_thing() -> None:
    """A condition that comes and goes each hour is raised at most once and does not chatter."""
    story = Story()
    story.play(START, seen(Sight.PRESENT))
    story.play(START + 2 * HOUR, seen(Sight.PRESENT))
    for hour in range(3, 300):
        story.play(START + hour * HOUR, seen(Sight.ABSENT if hour % 2 else Sight.PRESENT))

    assert story.events == [Event.RAISED]


def test_unplugging_clears_nothing() -> None:
    """Out of sight for a year, an open alert is open, marked as without fresh evidence, and says so once."""
    story = Story()
    story.play(START, seen(Sight.PRESENT, delay_s=0))
    for day in range(1, 366):
        story.play(START + timedelta(days=day), seen(Sight.UNSEEN))

    assert story.events == [Event.RAISED, Event.OUT_OF_REACH]
    assert story.states[KEY].is_open
    assert not story.states[KEY].fresh
    assert not story.lines[1].notify


def test_the_off_delay_does_not_run_out_unseen() -> None:
    """An alert on its way out stays while its drive is away, and is cleared on being seen absent."""
    story = Story()
    story.play(START, seen(Sight.PRESENT, delay_s=0))
    story.play(START + HOUR, seen(Sight.ABSENT))
    story.play(START + 90 * HOUR, seen(Sight.UNSEEN))
    assert Event.CLEARED not in story.events

    story.play(START + 91 * HOUR, seen(Sight.ABSENT))
    assert story.events[-1] is Event.CLEARED


def test_what_comes_and_goes_is_raised_twice_and_then_stays() -> None:
    """Back within its returning time it stays raised until that time is over, and is then cleared."""
    story = Story()
    for hours, sight in [(0, Sight.PRESENT), (10, Sight.ABSENT), (20, Sight.PRESENT), (30, Sight.ABSENT)]:
        story.play(START + hours * HOUR, replace(seen(sight, delay_s=0), returning_s=50 * 3600.0))
    story.play(START + 40 * HOUR, replace(seen(Sight.PRESENT, delay_s=0), returning_s=50 * 3600.0))
    story.play(START + 45 * HOUR, replace(seen(Sight.ABSENT, delay_s=0), returning_s=50 * 3600.0))
    assert story.events == [Event.RAISED, Event.CLEARED, Event.RAISED_AGAIN]

    story.play(START + 51 * HOUR, replace(seen(Sight.ABSENT, delay_s=0), returning_s=50 * 3600.0))
    assert story.events[-1] is Event.CLEARED


@given(st.lists(st.tuples(st.integers(1, 40), st.sampled_from(list(Sight))), max_size=60))
def test_nothing_is_raised_three_times_within_its_returning_time(seen_at: list[tuple[int, Sight]]) -> None:
    """However it comes and goes, any three times it is raised are further apart."""
    story, at, raised = Story(), START, []
    for hours, sight in seen_at:
        at += hours * HOUR
        before = len(story.events)
        story.play(at, replace(seen(sight, delay_s=0), returning_s=50 * 3600.0))
        raised += [at] * len({Event.RAISED, Event.RAISED_AGAIN} & set(story.events[before:]))

    assert all(third - first > 50 * HOUR for first, third in zip(raised, raised[2:], strict=False))


def test_cleared_says_why() -> None:
    """The reason given by what was seen is kept with the alert and in its history."""
    story = Story()
    story.play(START, seen(Sight.PRESENT, delay_s=0))
    story.play(START + HOUR, seen(Sight.ABSENT, delay_s=0))

    assert story.lines[-1].why == "It has cooled down."
    assert story.states[KEY].cleared_because == "It has cooled down."


def test_it_can_be_raised_again_and_counts() -> None:
    """The same alert comes back under the same key."""
    story = Story()
    for hour in range(4):
        story.play(START + hour * HOUR, seen(Sight.PRESENT if hour % 2 == 0 else Sight.ABSENT, delay_s=0))

    assert story.events == [Event.RAISED, Event.CLEARED, Event.RAISED_AGAIN, Event.CLEARED]
    assert story.states[KEY].times_raised == 2


def test_a_forecast_that_has_time_makes_an_alert_worse_only_once_it_has_stood() -> None:
    """Seen for a day and gone it says nothing; seen all the while it does, and what is there now at once."""
    story = Story()
    wait_s = 3 * 3600.0

    def forecast(severity: Severity, sight: Sight = Sight.PRESENT) -> Condition:
        return replace(seen(sight, severity=severity, delay_s=0), worse_delay_s=wait_s)

    story.play(START, forecast(Severity.MINOR))
    story.play(START + HOUR, forecast(Severity.MAJOR))
    story.play(START + 2 * HOUR, forecast(Severity.MINOR))
    story.play(START + 3 * HOUR, forecast(Severity.MAJOR))
    story.play(START + 5 * HOUR, forecast(Severity.MAJOR))
    assert story.events == [Event.RAISED]
    story.play(START + 6 * HOUR, forecast(Severity.MAJOR))
    assert story.events == [Event.RAISED, Event.SEVERITY_UP]
    story.play(START + 7 * HOUR, replace(forecast(Severity.CRITICAL), worse_delay_s=0))
    assert story.states[KEY].severity is Severity.CRITICAL


@pytest.mark.parametrize(("sight", "begins_anew"), [(Sight.BETWEEN, True), (Sight.UNSEEN, False)])
def test_a_forecast_that_was_gone_meanwhile_begins_to_stand_anew(sight: Sight, begins_anew: bool) -> None:
    """A drive out of reach neither gains nor loses time: it was not seen to do better."""
    story = Story()
    worse = replace(seen(Sight.PRESENT, severity=Severity.MAJOR), worse_delay_s=3 * 3600.0)
    story.play(START, seen(Sight.PRESENT, severity=Severity.MINOR, delay_s=0))
    story.play(START + HOUR, worse)
    story.play(START + 3 * HOUR, seen(sight, severity=Severity.MINOR))
    story.play(START + 4 * HOUR, worse)

    assert (story.states[KEY].severity is Severity.MINOR) is begins_anew


COMES_AND_GOES = [
    ConditionKind.FLOOR_UNDER_DEMAND,
    ConditionKind.MARGIN_THIN,
    ConditionKind.LINK_BELOW_BEST,
    ConditionKind.TOO_HOT,
    ConditionKind.NEARLY_FULL,
    ConditionKind.TRIM_STOPPED,
]


@pytest.mark.parametrize("kind", COMES_AND_GOES)
@given(gone_days=st.lists(st.integers(min_value=1, max_value=9), min_size=4, max_size=14))
def test_what_is_measured_anew_each_time_is_never_raised_three_times_in_thirty_days(
    kind: ConditionKind, gone_days: list[int]
) -> None:
    """With its default delays, however it comes and goes; and once gone for good it is cleared."""
    weight = DEFAULTS[kind]
    story, now = Story(), START
    sights = [s for days in gone_days for s in (*[Sight.PRESENT] * 3, *[Sight.ABSENT] * days)]
    for sight in (*sights, *[Sight.ABSENT] * 70):
        condition = Condition(
            subject_id="drive-1",
            kind=kind,
            sight=sight,
            severity=weight.recorder,
            on_delay_s=weight.on_delay_s,
            off_delay_s=weight.off_delay_s,
            returning_s=weight.returning_s,
        )
        story.play(now, condition)
        now += timedelta(days=1)
    raised = [line.at for line in story.lines if line.event in {Event.RAISED, Event.RAISED_AGAIN}]

    assert all(third - first > timedelta(days=30) for first, third in zip(raised, raised[2:], strict=False))
    assert story.lines[-1].event is Event.CLEARED


def test_severity_rises_at_once_and_falls_after_the_off_delay() -> None:
    """Worse is told now; better has to last."""
    story = Story()
    story.play(START, seen(Sight.PRESENT, severity=Severity.MINOR, delay_s=0))
    story.play(START + HOUR, seen(Sight.PRESENT, severity=Severity.CRITICAL))
    story.play(START + 2 * HOUR, seen(Sight.PRESENT, severity=Severity.MINOR))
    story.play(START + 3 * HOUR, seen(Sight.PRESENT, severity=Severity.MINOR))
    assert story.events == [Event.RAISED, Event.SEVERITY_UP]

    story.play(START + 4 * HOUR, seen(Sight.PRESENT, severity=Severity.MINOR))
    assert story.events[-1] is Event.SEVERITY_DOWN
    assert story.states[KEY].severity is Severity.MINOR


def test_acknowledging_names_a_person_and_lasts_until_it_grows_worse() -> None:
    """Who, when and the note are kept; a rise in severity asks anew."""
    story = Story()
    story.play(START, seen(Sight.PRESENT, severity=Severity.MINOR, delay_s=0))
    known = acknowledge(story.states[KEY], by="Mira", note="fan ordered", now=START + HOUR)
    assert known.states[0].acknowledged is not None
    assert (known.transitions[0].by, known.transitions[0].why) == ("Mira", "fan ordered")

    worse = step({KEY: known.states[0]}, [seen(Sight.PRESENT, severity=Severity.MAJOR)], START + 2 * HOUR)
    assert worse.states[0].acknowledged is None


def test_a_shelved_alert_tells_nobody_and_reappears() -> None:
    """It lives on in silence; when the shelf ends and it is still open, it is told again."""
    raised = state_in(Phase.RAISED)
    shelved = shelve(raised, by="Mira", until=START + 10 * HOUR, note="move on Friday", now=START).states[0]
    worse = step({KEY: shelved}, [seen(Sight.PRESENT, severity=Severity.CRITICAL)], START + HOUR)
    assert [t.event for t in worse.transitions] == [Event.SEVERITY_UP]
    assert not worse.transitions[0].notify

    back = step({KEY: worse.states[0]}, [], START + 10 * HOUR)
    assert [t.event for t in back.transitions] == [Event.UNSHELVED, Event.REAPPEARED]
    assert [t.notify for t in back.transitions] == [False, True]


def test_what_cleared_on_its_shelf_does_not_reappear() -> None:
    """A shelf that ends over a quiet alert ends quietly."""
    shelved = replace(state_in(Phase.QUIET), shelf=Shelf(by="Mira", at=START, until=START + HOUR))

    assert [t.event for t in step({KEY: shelved}, [], START + HOUR).transitions] == [Event.UNSHELVED]


def test_a_person_may_take_it_from_the_shelf_early() -> None:
    """Taken back by hand, the history names who."""
    shelved = shelve(state_in(Phase.RAISED), by="A", until=START + HOUR, note="", now=START).states[0]

    lines = unshelve(shelved, by="Mira", note="", now=START + timedelta(minutes=1)).transitions

    assert [(t.event, t.by) for t in lines] == [(Event.UNSHELVED, "Mira"), (Event.REAPPEARED, None)]


@pytest.mark.parametrize(
    "until", [START, START - HOUR, START + timedelta(days=91)], ids=["now", "past", "too far"]
)
def test_a_shelf_has_an_end_that_is_near(until: datetime) -> None:
    """An end in the past or beyond ninety days is refused with a sentence."""
    with pytest.raises(DocumentError, match="shelf"):
        shelve(state_in(Phase.RAISED), by="Mira", until=until, note="", now=START)


def test_nobody_cannot_acknowledge() -> None:
    """The history names a person, so one has to be given; and only what is open can be acknowledged."""
    with pytest.raises(DocumentError, match="names a person"):
        acknowledge(state_in(Phase.RAISED), by=" ", note="", now=START)
    with pytest.raises(DocumentError, match="not open"):
        acknowledge(state_in(Phase.WAITING), by="Mira", note="", now=START)


def test_a_clock_that_runs_backwards_does_no_harm() -> None:
    """An earlier instant is taken as the alert's latest: nothing is raised before it was seen."""
    story = Story()
    story.play(START + 9 * HOUR, seen(Sight.PRESENT))
    story.play(START, seen(Sight.PRESENT))
    story.play(START + 11 * HOUR, seen(Sight.PRESENT))

    assert [t.at for t in story.lines] == [START + 11 * HOUR]


@given(
    st.lists(st.tuples(st.sampled_from(Sight), st.sampled_from(Severity), st.integers(0, 200)), max_size=60)
)
def test_whatever_is_seen_the_history_is_sound(sights: list[tuple[Sight, Severity, int]]) -> None:
    """Raised and cleared alternate, a state is open as its last such line says, and times never fall."""
    story, now = Story(), START
    for sight, severity, minutes in sights:
        now += timedelta(minutes=minutes)
        story.play(now, seen(sight, severity=severity))
    opening = [e for e in story.events if e in {Event.RAISED, Event.RAISED_AGAIN, Event.CLEARED}]

    assert all((e is Event.CLEARED) == (i % 2 == 1) for i, e in enumerate(opening))
    assert [t.at for t in story.lines] == sorted(t.at for t in story.lines)
    if KEY in story.states:
        assert story.states[KEY].is_open == (len(opening) % 2 == 1)


@given(st.lists(st.tuples(st.sampled_from(Sight), st.integers(1, 200)), max_size=40))
def test_seeing_the_same_twice_at_one_instant_changes_nothing(sights: list[tuple[Sight, int]]) -> None:
    """A repeated step with the same sight at the same instant is idempotent once its delay row is settled."""
    story, now = Story(), START
    for sight, minutes in sights:
        now += timedelta(minutes=minutes)
        story.play(now, seen(sight))
        lines = len(story.lines)
        story.play(now, seen(sight))
        assert len(story.lines) == lines
