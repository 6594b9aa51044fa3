"""Conditions weighed from a judgement, and the life of the alerts they feed: pure, led by a table.

    weigh(history, role, standing, outlook, causes=, cohort=, now=) -> tuple[Condition, ...]
    weigh_host(host, now=) -> tuple[Condition, ...]
    step(states, conditions, now) -> Stepped(states, transitions)
    acknowledge / shelve / unshelve (state, ..., now) -> Stepped
    group(transitions) -> tuple[Notice, ...]               (a flood becomes one notice)
    hindsight(incidents, transitions) -> Hindsight         (the judge against what people saw)

A condition carries its own delays, deadband already applied (`Sight.BETWEEN`), from its defaults and the
role. Conditions that are not in the list handed to `step` leave their alerts as they are.
"""

from ebbmark_collector.alerts.defaults import DEFAULTS, Weight, weight_of
from ebbmark_collector.alerts.flood import Notice, group
from ebbmark_collector.alerts.hindsight import Hindsight, hindsight
from ebbmark_collector.alerts.lifecycle import TABLE, Stepped, acknowledge, shelve, step, told_at, unshelve
from ebbmark_collector.alerts.vocabulary import (
    SYSLOG_CLEARED,
    Acknowledgement,
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
)
from ebbmark_collector.alerts.weighing import ToDo, to_do, weigh, weigh_host

__all__ = [
    "DEFAULTS",
    "SYSLOG_CLEARED",
    "TABLE",
    "Acknowledgement",
    "AlertState",
    "Condition",
    "ConditionKind",
    "Event",
    "Hindsight",
    "Key",
    "Notice",
    "Phase",
    "Severity",
    "Shelf",
    "Sight",
    "Stepped",
    "ToDo",
    "Transition",
    "Weight",
    "acknowledge",
    "group",
    "hindsight",
    "shelve",
    "step",
    "to_do",
    "told_at",
    "unshelve",
    "weigh",
    "weigh_host",
    "weight_of",
]
