"""What the single conditions look at, and how a condition is made of what they saw."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from typing import NamedTuple

from ebbmark_collector.alerts.defaults import weight_of
from ebbmark_collector.alerts.vocabulary import Condition, ConditionKind, Severity, Sight
from ebbmark_collector.judge.findings import Cause, CauseKind, Cohort, Outlook, Standing
from ebbmark_collector.judge.history import SubjectHistory
from ebbmark_collector.roles import DriveRole, Watch

_WITHOUT_ROLE = Watch()


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One subject with everything judged of it, at one instant."""

    history: SubjectHistory
    role: DriveRole | None
    standing: Standing
    outlook: Outlook
    causes: tuple[Cause, ...]
    cohort: Cohort
    now: datetime

    @property
    def watch(self) -> Watch:
        """Give how the role's drives are watched; the defaults without a role."""
        return self.role.watch if self.role else _WITHOUT_ROLE

    @cached_property
    def within_reach(self) -> bool:
        """Tell whether the drive was seen lately enough for its evidence to be of today."""
        seen = self.history.facts.last_seen_at
        return seen is None or self.now - seen <= timedelta(seconds=self.watch.silent_after_s)

    @property
    def first_cause(self) -> Cause | None:
        """Give the likeliest cause."""
        return self.causes[0] if self.causes else None

    @cached_property
    def name(self) -> str:
        """Give drive, where it was last, and role, as every alert begins."""
        facts = self.history.facts
        parts = [facts.called]
        if facts.last_host:
            place = f" ({facts.last_place})" if facts.last_place else ""
            parts.append(f"last on {facts.last_host}{place}")
        if self.role is not None:
            parts.append(f"role {self.role.name}")
        return ", ".join(parts)


class Seen(NamedTuple):
    """What one condition saw; `None` fields follow from the scene and the defaults.

    Attributes:
        what: What is wrong, as a clause after the drive's name.
        believed_after_s: How long it must be seen so before its open alert grows more severe [s].
        milder: By how many steps it is milder than the default; never below warning [1].
        cause: What it is a sign of by itself, where no ranking is needed.
        next_step: Instead of the first cause's.
        for_good: Whether what is absent will not come back by itself: a person ended it, not a better figure.
    """

    kind: ConditionKind
    sight: Sight
    what: str = ""
    qualifier: str = ""
    predicts_lost_frames: bool = False
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    since: datetime | None = None
    act_by: datetime | None = None
    why: tuple[str, ...] = ()
    milder: int = 0
    believed_after_s: float = 0.0
    cause: CauseKind | None = None
    next_step: str | None = None
    because: str | None = None
    for_good: bool = False
    blames_causes: bool = False


Look = Callable[[Scene], "tuple[Seen, ...]"]


def condition_of(seen: Seen, scene: Scene) -> Condition | None:
    """Make the full condition; None where the role does not watch it."""
    weight, severity = weight_of(seen.kind, scene.role)
    if not weight.enabled:
        return None
    facts = scene.history.facts
    cause = scene.first_cause if seen.blames_causes else None
    what, why = seen.what, seen.why + (cause.facts if cause else ())
    if seen.sight is Sight.ABSENT and seen.because:
        # An alert that stays because it comes and goes must not say that it is there now.
        what, why = what or seen.because, (seen.because,)
    return Condition(
        subject_id=facts.subject_id,
        kind=seen.kind,
        qualifier=seen.qualifier,
        sight=seen.sight,
        severity=_milder(severity, seen.milder),
        predicts_lost_frames=seen.predicts_lost_frames and seen.sight is Sight.PRESENT,
        value=seen.value,
        limit=seen.limit,
        unit=seen.unit,
        since=seen.since,
        act_by=seen.act_by,
        headline=f"{scene.name}: {what}" if what else "",
        why=why,
        cause=cause.kind if cause else seen.cause,
        next_step=seen.next_step or (cause.next_step if cause else ""),
        because=seen.because,
        on_delay_s=weight.on_delay_s,
        off_delay_s=weight.off_delay_s,
        worse_delay_s=seen.believed_after_s,
        returning_s=0.0 if seen.for_good else weight.returning_s,
        role_name=scene.role.name if scene.role else None,
        asset_tag=facts.asset_tag,
        host=facts.last_host,
        place=facts.last_place,
    )


def _milder(severity: Severity, steps: int) -> Severity:
    """Give a severity some steps down: how bad a condition may get is the role's to say."""
    ladder = list(Severity)
    return ladder[max(0, ladder.index(severity) - steps)]


def below(value: float | None, limit: float | None, deadband: float) -> Sight:
    """Give the sight of a figure that should stay at or above its limit."""
    if value is None or limit is None:
        return Sight.UNSEEN
    if value < limit:
        return Sight.PRESENT
    return Sight.BETWEEN if value < limit * (1 + deadband) else Sight.ABSENT


def above(value: float | None, limit: float | None, deadband: float) -> Sight:
    """Give the sight of a figure that should stay below its limit."""
    if value is None or limit is None:
        return Sight.UNSEEN
    if value >= limit:
        return Sight.PRESENT
    return Sight.BETWEEN if value > limit * (1 - deadband) else Sight.ABSENT


def out_of_reach(condition: Condition, scene: Scene) -> Condition:
    """Mark a condition of a drive that is not there: nothing new is seen of it, so nothing is cleared."""
    if scene.within_reach or condition.sight is Sight.PRESENT:
        return condition
    return replace(condition, sight=Sight.UNSEEN)


def deadband_of(kind: ConditionKind, scene: Scene) -> float:
    """Give the deadband in force [1]."""
    return weight_of(kind, scene.role)[0].deadband


def mb_s(rate: float | None) -> str:
    """Write a rate for people."""
    return "unknown" if rate is None else f"{rate / 1e6:.0f} MB/s"
