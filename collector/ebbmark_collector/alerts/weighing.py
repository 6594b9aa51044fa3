"""Every condition of one subject, or of one host, weighed at an instant.

Rules.

1. All conditions are weighed each time, so that one that is gone clears its alert and says why.
2. A drive out of reach shows nothing new: what it last showed stays, marked as without fresh evidence.
3. Until a person has confirmed its role, a drive alerts for media errors, a failed self-assessment and a
   wrong read-back only; all else waits in the intake worklist.
4. A retired drive clears everything, with the reason it was retired for.
"""

from collections.abc import Collection, Container, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from ebbmark_agent.evidence.roles import RoleKind
from ebbmark_agent.evidence.standing import Standing as Word

from ebbmark_collector.alerts import medium, rate, surroundings, whereabouts
from ebbmark_collector.alerts.defaults import DEFAULTS
from ebbmark_collector.alerts.scene import Look, Scene, condition_of, out_of_reach
from ebbmark_collector.alerts.vocabulary import Condition, ConditionKind, Key, Sight
from ebbmark_collector.judge.findings import Cause, Cohort, Likeness, Outlook, Standing
from ebbmark_collector.judge.history import HostFacts, SubjectHistory
from ebbmark_collector.roles import DriveRole


def weigh(
    history: SubjectHistory,
    role: DriveRole | None,
    standing: Standing,
    outlook: Outlook,
    *,
    causes: tuple[Cause, ...] = (),
    cohort: Cohort | None = None,
    known: Collection[Key] | None = None,
    now: datetime,
) -> tuple[Condition, ...]:
    """Weigh every condition of one subject.

    Args:
        history: What is known of it.
        role: Its role in force, or None.
        standing: From `judge.stand`.
        outlook: From `judge.outlook`; the latest will do between rounds.
        causes: From `judge.causes`.
        cohort: From `judge.compare`; None where it was not compared.
        known: The alerts there are. What is neither present nor among them changes nothing and is left out;
            None leaves nothing out.
        now: The instant.

    Returns:
        At most one condition for each key, ready for `step`.
    """
    scene = Scene(
        history=history,
        role=role,
        standing=standing,
        outlook=outlook,
        causes=causes,
        cohort=cohort or Cohort(likeness=Likeness.TOO_FEW),
        now=now,
    )
    named = None if known is None else {(key.kind, key.qualifier) for key in known}
    shown = _conditions(_OF_THE_DRIVE, scene, named)
    conditions = [out_of_reach(c, scene) for c in shown] + _conditions(whereabouts.LOOKS, scene, named)
    retired = history.facts.retired
    if retired is not None:
        return tuple(_gone(c, f"It was retired: {retired}") for c in conditions)
    if not _confirmed(history):
        return tuple(
            c if c.kind in medium.BEFORE_CONFIRMED else _gone(c, "Its role is not confirmed yet.")
            for c in conditions
            if c.kind is not ConditionKind.DUPLICATE_IDENTITY
        )
    return tuple(conditions)


_OF_THE_DRIVE = (*rate.LOOKS, *medium.LOOKS, *surroundings.LOOKS)


def _conditions(
    looks: Iterable[Look], scene: Scene, named: Container[tuple[ConditionKind, str]] | None
) -> list[Condition]:
    return [
        condition
        for look in looks
        for seen in look(scene)
        if (named is None or seen.sight is Sight.PRESENT or (seen.kind, seen.qualifier) in named)
        and (condition := condition_of(seen, scene)) is not None
    ]


def weigh_host(
    host: HostFacts, *, now: datetime, silent_after_s: float = 3 * 86_400.0
) -> tuple[Condition, ...]:
    """Weigh a host's silence.

    Args:
        host: The machine.
        now: The instant.
        silent_after_s: How long it may say nothing [s], at least three times what it reports in.
    """
    kind = ConditionKind.SILENT_HOST
    weight = DEFAULTS[kind]
    patience = timedelta(seconds=max(silent_after_s, 3 * host.expects_every_s))
    silent = host.heard_at is not None and now - host.heard_at > patience
    sight = Sight.PRESENT if silent else Sight.ABSENT
    because, returning_s = "It reports again.", weight.returning_s
    if host.retired is not None:
        sight, because, returning_s = Sight.ABSENT, f"It was retired: {host.retired}", 0.0
    elif host.show:
        sight, because, returning_s = Sight.ABSENT, "It is on a show, where it stays quiet.", 0.0
    elif host.heard_at is None:
        sight = Sight.UNSEEN
    place = f" ({host.place})" if host.place else ""
    since = f"{host.heard_at:%Y-%m-%d %H:%M} UTC" if host.heard_at else "ever"
    return (
        Condition(
            subject_id=host.host_id,
            kind=kind,
            sight=sight,
            severity=weight.severity(RoleKind.RECORDER if host.has_recorder_role else None),
            since=host.heard_at,
            # An alert that stays because the host keeps falling silent must not say that it is silent now.
            headline=f"{host.name}{place}: not heard of since {since}"
            if sight is not Sight.ABSENT
            else f"{host.name}{place}, last heard of {since}: {because}",
            next_step="See whether it is on and whether its agent runs."
            if sight is not Sight.ABSENT
            else "It falls silent again and again: see to its network, its power and its sleep settings.",
            because=because,
            on_delay_s=weight.on_delay_s,
            off_delay_s=weight.off_delay_s,
            returning_s=returning_s,
            host=host.name,
            place=host.place,
        ),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class ToDo:
    """One line of the intake worklist: what a new drive still needs from a person.

    Attributes:
        soak_bytes: What its first soak would write [bytes]; None where its size is not known.
        soak_s: About how long that takes [s], at the slowest rate that would still do.
    """

    subject_id: str
    called: str
    host: str | None
    place: str | None
    role_name: str | None
    needs_role: bool
    needs_soak: bool
    soak_bytes: int | None
    soak_s: float | None


def to_do(history: SubjectHistory, role: DriveRole | None, standing: Standing) -> ToDo | None:
    """Give a subject's line of the intake worklist; None where nothing is left to do."""
    facts = history.facts
    if facts.retired is not None:
        return None
    needs_role = role is None or not _confirmed(history)
    demand = role.demand if role is not None else None
    needs_soak = demand is not None and standing.word is Word.UNPROVEN
    if not (needs_role or needs_soak):
        return None
    free = facts.free_bytes if facts.free_bytes is not None else facts.capacity_bytes
    soak_bytes = free if needs_soak else None
    return ToDo(
        subject_id=facts.subject_id,
        called=facts.called,
        host=facts.last_host,
        place=facts.last_place,
        role_name=role.name if role else None,
        needs_role=needs_role,
        needs_soak=needs_soak,
        soak_bytes=soak_bytes,
        soak_s=soak_bytes / demand.demand_bytes_per_s if soak_bytes is not None and demand else None,
    )


def _confirmed(history: SubjectHistory) -> bool:
    return history.assignment is None or history.assignment.confirmed


def _gone(condition: Condition, because: str) -> Condition:
    return replace(
        condition,
        sight=Sight.ABSENT,
        because=because,
        off_delay_s=0.0,
        returning_s=0.0,
        predicts_lost_frames=False,
    )
