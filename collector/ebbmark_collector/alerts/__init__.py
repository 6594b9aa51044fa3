"""Conditions weighed from a judgement, and the life of the alerts they feed: pure functions, a transition table.

    weigh(history, role, standing, outlook, causes, cohort, now=now) -> tuple[Condition, ...]
    weigh_host(host, now=now) -> tuple[Condition, ...]
    step(states, conditions, now) -> Stepped(states, transitions)
    acknowledge / shelve / unshelve (state, ..., now) -> Stepped
    group(transitions, ...) -> tuple[Notice, ...]          (a flood becomes one notice)

A condition carries its own delays, deadband already applied (`Sight.BETWEEN`), from its defaults and the role.
Conditions that are not in the list handed to `step` leave their alerts as they are.
"""
