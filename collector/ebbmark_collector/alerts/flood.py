"""A flood becomes one notice: a switch fails, forty hosts fall silent, and one message says so.

A flood is more than `FLOOD_FROM` alerts in `FLOOD_SPAN` (ANSI/ISA-18.2: more than ten in ten minutes for one
person). Alerts stay single; only what is sent is gathered. Critical alerts of drives are never gathered
away: each of them is named in the notice.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from ebbmark_collector.alerts.vocabulary import ConditionKind, Event, Severity, Transition

FLOOD_FROM = 10  # [1] more than this many in the span
FLOOD_SPAN = timedelta(minutes=10)
NAMED = 50  # [1] subjects named in one notice; the rest is counted


@dataclass(frozen=True, kw_only=True, slots=True)
class Notice:
    """What is told at once: one transition, or a flood of like ones.

    Attributes:
        severity: The gravest of its transitions.
        headline: One sentence.
    """

    kind: ConditionKind
    event: Event
    at: datetime
    severity: Severity
    headline: str
    transitions: tuple[Transition, ...]

    @property
    def is_flood(self) -> bool:
        """Tell whether several alerts were gathered in it."""
        return len(self.transitions) > 1


def group(transitions: Iterable[Transition]) -> tuple[Notice, ...]:
    """Gather transitions that are to be told into notices, in order of time.

    Args:
        transitions: Of any subjects, in any order; those that notify nobody are passed over.

    Returns:
        A notice for each transition, or one for each flood of one condition and one event.
    """
    alike: dict[tuple[ConditionKind, Event], list[Transition]] = {}
    for t in sorted(transitions, key=lambda t: (t.at, t.key)):
        if t.notify:
            alike.setdefault((t.key.kind, t.event), []).append(t)
    notices: list[Notice] = []
    for (kind, event), lines in alike.items():
        for run in _runs(lines):
            if len(run) > FLOOD_FROM:
                notices.append(_flood(kind, event, run))
            else:
                notices += [_single(t) for t in run]
    return tuple(sorted(notices, key=lambda n: (n.at, n.kind, n.transitions[0].key)))


def _runs(lines: Sequence[Transition]) -> list[list[Transition]]:
    """Cut lines in order of time into runs no longer than the span."""
    runs: list[list[Transition]] = []
    for t in lines:
        if runs and t.at - runs[-1][0].at <= FLOOD_SPAN:
            runs[-1].append(t)
        else:
            runs.append([t])
    return runs


def _single(t: Transition) -> Notice:
    return Notice(
        kind=t.key.kind,
        event=t.event,
        at=t.at,
        severity=t.severity,
        headline=t.condition.headline,
        transitions=(t,),
    )


def _flood(kind: ConditionKind, event: Event, run: Sequence[Transition]) -> Notice:
    names = [t.condition.asset_tag or t.condition.host or t.key.subject_id for t in run]
    places = sorted({t.condition.place for t in run if t.condition.place})
    listed = ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")
    where = f" in {places[0]}" if len(places) == 1 else ""
    happened = event.replace("_", " ")
    return Notice(
        kind=kind,
        event=event,
        at=run[0].at,
        severity=max((t.severity for t in run), key=lambda s: s.order),
        headline=f"{len(run)} alerts at once{where}, {kind.replace('_', ' ')}, {happened}: {listed}",
        transitions=tuple(run),
    )
