"""The life of an alert: a transition table and one function.

Rules.

1. One alert for each (subject, condition, qualifier), however often it is seen (RFC 8632, section 3.2).
2. On-delay: present the whole time before it is raised. Off-delay: absent the whole time before it is
   cleared. Inside the deadband (`between`) it neither begins to rise nor to leave (OPC 10000-9, annex B.1.5).
3. What is not seen changes nothing: unplugging a drive clears no alert, it only marks it as without fresh
   evidence.
4. Severity rises at once, or after the delay of a forecast that has time, and falls after the off-delay, so
   that it does not flutter.
5. Acknowledging says that somebody has seen it; it lasts until the alert is cleared or grows more severe.
6. Shelved alerts live on and tell nobody. When the shelf ends and the alert is still open, it reappears.
7. `now` may not run backwards for one alert: an earlier instant is taken as the alert's latest.
8. What is known to come and go stays raised once it has come back: raised twice within its returning time,
   it is not cleared until so long after the first of the two, so it is never raised three times within it.
9. Every change that a person would want to know is a `Transition`; its history is complete without the state.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Literal

from ebbmark_collector.alerts.vocabulary import (
    Acknowledgement,
    AlertState,
    Condition,
    Event,
    Key,
    Level,
    Phase,
    Severity,
    Shelf,
    Sight,
    Transition,
)
from ebbmark_collector.errors import DocumentError


class Delay(StrEnum):
    """Whether the delay that matters in a phase has passed."""

    RUNNING = "running"
    OVER = "over"
    ANY = "any"


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One row of the table: in this phase, on this sight, with its delay so, go there and say this."""

    phase: Phase
    sight: Sight
    delay: Delay
    then: Phase
    event: Literal[Event.RAISED, Event.CLEARED] | None = None


def _row(
    phase: Phase,
    sight: Sight,
    delay: Delay,
    then: Phase,
    event: Literal[Event.RAISED, Event.CLEARED] | None = None,
) -> Row:
    return Row(phase=phase, sight=sight, delay=delay, then=then, event=event)


TABLE: tuple[Row, ...] = (
    _row(Phase.QUIET, Sight.PRESENT, Delay.RUNNING, Phase.WAITING),
    _row(Phase.QUIET, Sight.PRESENT, Delay.OVER, Phase.RAISED, Event.RAISED),
    _row(Phase.QUIET, Sight.BETWEEN, Delay.ANY, Phase.QUIET),
    _row(Phase.QUIET, Sight.ABSENT, Delay.ANY, Phase.QUIET),
    _row(Phase.QUIET, Sight.UNSEEN, Delay.ANY, Phase.QUIET),
    _row(Phase.WAITING, Sight.PRESENT, Delay.RUNNING, Phase.WAITING),
    _row(Phase.WAITING, Sight.PRESENT, Delay.OVER, Phase.RAISED, Event.RAISED),
    _row(Phase.WAITING, Sight.BETWEEN, Delay.ANY, Phase.QUIET),
    _row(Phase.WAITING, Sight.ABSENT, Delay.ANY, Phase.QUIET),
    _row(Phase.WAITING, Sight.UNSEEN, Delay.ANY, Phase.WAITING),
    _row(Phase.RAISED, Sight.PRESENT, Delay.ANY, Phase.RAISED),
    _row(Phase.RAISED, Sight.BETWEEN, Delay.ANY, Phase.RAISED),
    _row(Phase.RAISED, Sight.ABSENT, Delay.RUNNING, Phase.LEAVING),
    _row(Phase.RAISED, Sight.ABSENT, Delay.OVER, Phase.QUIET, Event.CLEARED),
    _row(Phase.RAISED, Sight.UNSEEN, Delay.ANY, Phase.RAISED),
    _row(Phase.LEAVING, Sight.PRESENT, Delay.ANY, Phase.RAISED),
    _row(Phase.LEAVING, Sight.BETWEEN, Delay.ANY, Phase.RAISED),
    _row(Phase.LEAVING, Sight.ABSENT, Delay.RUNNING, Phase.LEAVING),
    _row(Phase.LEAVING, Sight.ABSENT, Delay.OVER, Phase.QUIET, Event.CLEARED),
    _row(Phase.LEAVING, Sight.UNSEEN, Delay.ANY, Phase.LEAVING),
)
_BY_PLACE = {(r.phase, r.sight, r.delay): r for r in TABLE}


@dataclass(frozen=True, kw_only=True, slots=True)
class Stepped:
    """What a step changed: the states to keep (only those that changed) and the history to add."""

    states: tuple[AlertState, ...] = ()
    transitions: tuple[Transition, ...] = ()


def step(states: Mapping[Key, AlertState], conditions: Iterable[Condition], now: datetime) -> Stepped:
    """Take alerts one step on.

    Args:
        states: The alerts known so far; those of no condition given keep their state, but shelves end.
        conditions: What is seen now, at most one for each key.
        now: The instant it is seen.

    Returns:
        The states that changed, and the transitions in the order they happened.
    """
    kept: list[AlertState] = []
    told: list[Transition] = []
    seen = {c.key: c for c in conditions}
    for key in sorted({*states, *seen}, key=lambda key: (key.subject_id, key.kind, key.qualifier)):
        before = states.get(key)
        after, events = _one(before, seen.get(key), now)
        told += events
        if after is not None and after != before:
            kept.append(after)
    return Stepped(states=tuple(kept), transitions=tuple(told))


def _one(
    before: AlertState | None, condition: Condition | None, now: datetime
) -> tuple[AlertState | None, list[Transition]]:
    events: list[Transition] = []
    state = before
    if state is not None and state.shelf is not None and now >= state.shelf.until:
        state, more = _off_the_shelf(state, now, by=None, why="The time it was shelved for is over.")
        events += more
    if condition is None:
        return state, events
    if state is None:
        if condition.sight is not Sight.PRESENT:
            return None, events
        state = AlertState(
            key=condition.key,
            phase=Phase.QUIET,
            phase_since=now,
            severity=condition.severity,
            condition=condition,
        )
    at = max(now, state.phase_since)
    row = _row_for(state, condition, at)
    state, more = _moved(state, row, condition, at)
    return state, events + more


def _row_for(state: AlertState, condition: Condition, at: datetime) -> Row:
    found = _BY_PLACE.get((state.phase, condition.sight, Delay.ANY))
    if found is not None:
        return found
    delay_s = condition.on_delay_s if condition.sight is Sight.PRESENT else condition.off_delay_s
    # A delay that has not begun to run yet has passed only if there is none.
    running = state.phase in {Phase.WAITING, Phase.LEAVING}
    ran_s = (at - state.phase_since).total_seconds() if running else 0.0
    over = ran_s >= delay_s and not (state.is_open and _keeps_returning(state, condition, at))
    return _BY_PLACE[(state.phase, condition.sight, Delay.OVER if over else Delay.RUNNING)]


def _keeps_returning(state: AlertState, condition: Condition, at: datetime) -> bool:
    first, again = state.raised_before_at, state.raised_at
    if first is None or again is None or (again - first).total_seconds() > condition.returning_s:
        return False
    return (at - first).total_seconds() <= condition.returning_s


def _moved(
    state: AlertState, row: Row, condition: Condition, at: datetime
) -> tuple[AlertState, list[Transition]]:
    known = condition if condition.sight is not Sight.UNSEEN else state.condition
    after = replace(
        state,
        phase=row.then,
        phase_since=at if row.then is not state.phase else state.phase_since,
        condition=known,
    )
    if row.event is Event.RAISED:
        return _raised(after, condition, at)
    if row.event is Event.CLEARED:
        return _cleared(after, condition, at)
    if not after.is_open:
        return replace(
            after, severity=condition.severity, fresh=True, calmer_since=None, worse_since=None
        ), []
    after, events = _freshness(after, condition, at)
    if condition.sight is not Sight.PRESENT:
        unseen = condition.sight is Sight.UNSEEN
        return after if unseen else replace(after, worse_since=None), events
    after, more = _severity(after, condition, at)
    return after, events + more


def _raised(state: AlertState, condition: Condition, at: datetime) -> tuple[AlertState, list[Transition]]:
    event = Event.RAISED_AGAIN if state.times_raised else Event.RAISED
    after = replace(
        state,
        severity=condition.severity,
        raised_at=at,
        raised_before_at=state.raised_at,
        changed_at=at,
        cleared_at=None,
        cleared_because=None,
        times_raised=state.times_raised + 1,
        fresh=True,
        acknowledged=None,
        calmer_since=None,
        worse_since=None,
    )
    return after, [_line(after, event, at, before=None)]


def _cleared(state: AlertState, condition: Condition, at: datetime) -> tuple[AlertState, list[Transition]]:
    because = condition.because or "It is no longer seen."
    after = replace(
        state,
        changed_at=at,
        cleared_at=at,
        cleared_because=because,
        fresh=True,
        acknowledged=None,
        calmer_since=None,
        worse_since=None,
    )
    return after, [_line(after, Event.CLEARED, at, before=state.severity, why=because)]


def _freshness(state: AlertState, condition: Condition, at: datetime) -> tuple[AlertState, list[Transition]]:
    fresh = condition.sight is not Sight.UNSEEN
    if fresh is state.fresh:
        return state, []
    after = replace(state, fresh=fresh, changed_at=at)
    event = Event.WITHIN_REACH if fresh else Event.OUT_OF_REACH
    return after, [_line(after, event, at, before=state.severity, notify=False)]


def _severity(state: AlertState, condition: Condition, at: datetime) -> tuple[AlertState, list[Transition]]:
    wanted, held = condition.severity, state.severity
    if wanted.order == held.order:
        return replace(state, calmer_since=None, worse_since=None), []
    if wanted.order > held.order:
        since = state.worse_since or at
        if (at - since).total_seconds() < condition.worse_delay_s:
            return replace(state, worse_since=since, calmer_since=None), []
        after = replace(
            state, severity=wanted, changed_at=at, acknowledged=None, calmer_since=None, worse_since=None
        )
        return after, [_line(after, Event.SEVERITY_UP, at, before=held)]
    since = state.calmer_since or at
    if (at - since).total_seconds() < condition.off_delay_s:
        return replace(state, calmer_since=since, worse_since=None), []
    after = replace(state, severity=wanted, changed_at=at, calmer_since=None, worse_since=None)
    return after, [_line(after, Event.SEVERITY_DOWN, at, before=held)]


def acknowledge(state: AlertState, *, by: str, note: str, now: datetime) -> Stepped:
    """Note that somebody has seen an open alert.

    Raises:
        DocumentError: It is not open, or nobody is named.
    """
    _named(by)
    if not state.is_open:
        raise DocumentError("This alert is not open, so there is nothing to acknowledge.")
    after = replace(state, acknowledged=Acknowledgement(by=by, at=now, note=note), changed_at=now)
    line = _line(after, Event.ACKNOWLEDGED, now, before=state.severity, by=by, why=note or None, notify=False)
    return Stepped(states=(after,), transitions=(line,))


def shelve(
    state: AlertState,
    *,
    by: str,
    until: datetime,
    note: str,
    now: datetime,
    at_most: timedelta = timedelta(days=90),
) -> Stepped:
    """Set an alert aside until an instant; it lives on and tells nobody.

    Args:
        state: The alert, open or not.
        by: Who does it.
        until: When it ends by itself.
        note: Why.
        now: The instant.
        at_most: The longest shelf [days]: an alert set aside for good is a rule to be changed.

    Raises:
        DocumentError: The end is not ahead, is too far ahead, or nobody is named.
    """
    _named(by)
    if until <= now:
        raise DocumentError("A shelf ends in the future; give a later end.", field="until")
    if until - now > at_most:
        raise DocumentError(
            f"A shelf lasts at most {at_most.days} days; for longer, change the role's rule.", field="until"
        )
    after = replace(state, shelf=Shelf(by=by, at=now, until=until, note=note), changed_at=now)
    line = _line(after, Event.SHELVED, now, before=state.severity, by=by, why=note or None, notify=False)
    return Stepped(states=(after,), transitions=(line,))


def unshelve(state: AlertState, *, by: str, note: str, now: datetime) -> Stepped:
    """Take an alert back from its shelf before its end.

    Raises:
        DocumentError: It is not shelved, or nobody is named.
    """
    _named(by)
    if state.shelf is None:
        raise DocumentError("This alert is not shelved.")
    after, events = _off_the_shelf(state, now, by=by, why=note or None)
    return Stepped(states=(after,), transitions=tuple(events))


def _off_the_shelf(
    state: AlertState, now: datetime, *, by: str | None, why: str | None
) -> tuple[AlertState, list[Transition]]:
    after = replace(state, shelf=None, changed_at=now)
    events = [_line(after, Event.UNSHELVED, now, before=state.severity, by=by, why=why, notify=False)]
    if after.is_open:
        events.append(_line(after, Event.REAPPEARED, now, before=state.severity))
    return after, events


def told_at(level: Severity, before: Severity | None, after: Severity | None) -> bool:
    """Tell whether a change of severity concerns somebody who wants to know from `level` on.

    Args:
        level: The least severity they want to hear of.
        before: Severity before; None for cleared or never raised.
        after: Severity after; None for cleared.

    Source:
        RFC 8632, notify-status-changes / severity-level: told of every change at or above the level, and of
        the change that takes it from there to below.
    """
    was = Level[before.name] if before is not None else Level.CLEARED
    is_now = Level[after.name] if after is not None else Level.CLEARED
    return was != is_now and max(was, is_now) >= Level[level.name]


def _line(
    state: AlertState,
    event: Event,
    at: datetime,
    *,
    before: Severity | None,
    by: str | None = None,
    why: str | None = None,
    notify: bool = True,
) -> Transition:
    return Transition(
        key=state.key,
        event=event,
        at=at,
        severity=state.severity,
        severity_before=before,
        condition=state.condition,
        by=by,
        why=why,
        notify=notify and state.shelf is None,
        times_raised=state.times_raised,
    )


def _named(by: str) -> None:
    if not by.strip():
        raise DocumentError("Say who does this; the history names a person.", field="by")
