"""Who is told of what, and when: routes by severity and role, digests, quiet hours.

Rules.

1. A target hears of every change at or above its level, and of the change that takes an alert from there to
   below (RFC 8632); where it names roles, of those only.
2. What is below its digest level waits for the target's next digest.
3. Quiet hours hold back what is not critical until they end. Critical is never held back.
4. Conditions that belong in a digest (evidence that ages) never go out alone.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from ebbmark_collector.alerts import ConditionKind, Event, Notice, Severity, Transition, told_at

DIGEST_ONLY = frozenset({ConditionKind.EVIDENCE_AGING})


class Channel(StrEnum):
    """By what a target is reached."""

    WEBHOOK = "webhook"
    MAIL = "mail"
    APPRISE = "apprise"


@dataclass(frozen=True, kw_only=True, slots=True)
class QuietHours:
    """A daily span, in a zone of the people who sleep; it may wrap past midnight."""

    starts: time
    ends: time
    zone: str = "UTC"

    def end_after(self, now: datetime) -> datetime | None:
        """Give when the span that `now` lies in ends; None outside it."""
        here = now.astimezone(ZoneInfo(self.zone))
        clock = here.time()
        wraps = self.ends <= self.starts
        inside = (clock >= self.starts or clock < self.ends) if wraps else self.starts <= clock < self.ends
        if not inside:
            return None
        end = here.replace(hour=self.ends.hour, minute=self.ends.minute, second=0, microsecond=0)
        return (end if end > here else end + timedelta(days=1)).astimezone(now.tzinfo)


@dataclass(frozen=True, kw_only=True, slots=True)
class Target:
    """Somebody who is told.

    Attributes:
        name: As in the settings; the outbox row names it.
        least: From which severity on it is told.
        roles: Only of subjects in these roles; empty: of all, hosts included.
        digest_below: Severities below this wait for the digest; None: nothing waits.
        digest_at: When its digest goes out, in `zone`.
        quiet: Its quiet hours.
    """

    name: str
    channel: Channel
    least: Severity = Severity.WARNING
    roles: tuple[str, ...] = ()
    digest_below: Severity | None = Severity.MINOR
    digest_at: time = time(8, 0)
    zone: str = "UTC"
    quiet: QuietHours | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Routed:
    """One notice on its way to one target, not before an instant."""

    target: Target
    notice: Notice
    not_before: datetime
    in_digest: bool


def route(notices: Iterable[Notice], targets: Iterable[Target], now: datetime) -> tuple[Routed, ...]:
    """Give every target its notices with the instant before which they must not go."""
    wanted = tuple(targets)
    return tuple(
        _when(target, notice, now) for notice in notices for target in wanted if concerns(target, notice)
    )


def concerns(target: Target, notice: Notice) -> bool:
    """Tell whether a notice is for this target."""
    return any(_concerned(target, t) for t in notice.transitions)


def _concerned(target: Target, t: Transition) -> bool:
    if target.roles and t.condition.role_name not in target.roles:
        return False
    if t.event is Event.REAPPEARED:
        return t.severity.order >= target.least.order
    after = None if t.event is Event.CLEARED else t.severity
    return told_at(target.least, t.severity_before, after)


def _when(target: Target, notice: Notice, now: datetime) -> Routed:
    critical = notice.severity is Severity.CRITICAL
    below = target.digest_below is not None and notice.severity.order < target.digest_below.order
    if not critical and (below or notice.kind in DIGEST_ONLY):
        return Routed(target=target, notice=notice, not_before=next_digest(target, now), in_digest=True)
    quiet_until = target.quiet.end_after(now) if target.quiet is not None and not critical else None
    return Routed(target=target, notice=notice, not_before=quiet_until or now, in_digest=False)


def next_digest(target: Target, now: datetime) -> datetime:
    """Give the instant of the target's next digest."""
    here = now.astimezone(ZoneInfo(target.zone))
    at = here.replace(hour=target.digest_at.hour, minute=target.digest_at.minute, second=0, microsecond=0)
    return (at if at > here else at + timedelta(days=1)).astimezone(now.tzinfo)
