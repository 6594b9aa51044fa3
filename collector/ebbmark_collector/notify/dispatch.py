"""From transitions to messages, and from an attempt's outcome to what becomes of the message.

Rules.

1. Transitions that are to be told are gathered, grouped, routed and made into messages in one transaction
   with the mark that they were; making them again makes the same ids.
2. A message goes out at least once: it is marked as delivered after the receiver said so.
3. Due digest messages of one target become one message. It shares the fate of its parts.
4. What will not get through is given up and stays to be seen (a dead letter); nothing is dropped silently.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from ebbmark_collector.alerts import Transition, group
from ebbmark_collector.notify.messages import Message, digest_id, digest_of, messages
from ebbmark_collector.notify.outcomes import Delivered, Outcome, Refused, TryLater
from ebbmark_collector.notify.retrying import next_try
from ebbmark_collector.notify.routing import Target, route


def compose(
    transitions: Iterable[Transition],
    targets: Sequence[Target],
    *,
    source: str,
    now: datetime,
    link: str | None = None,
) -> tuple[Message, ...]:
    """Make the messages that tell some transitions.

    Args:
        transitions: Those not yet told, together, so that a flood is seen as one.
        targets: Everybody who may be told.
        source: This collector's own address.
        now: The instant.
        link: Put before links in texts; None: no links.
    """
    return messages(route(group(transitions), targets, now), source=source, now=now, link=link)


@dataclass(frozen=True, kw_only=True, slots=True)
class Parcel:
    """What goes out in one attempt, and the outbox rows whose fate it decides."""

    message: Message
    parts: tuple[Message, ...]


def parcels(due: Sequence[Message], *, source: str, now: datetime) -> tuple[Parcel, ...]:
    """Gather due messages: singles as they are, a target's digest messages as one."""
    singles = [Parcel(message=m, parts=(m,)) for m in due if not m.in_digest]
    digests: dict[str, list[Message]] = {}
    for m in due:
        if m.in_digest:
            digests.setdefault(m.target, []).append(m)
    gathered = [
        Parcel(
            message=replace(
                parts[0],
                message_id=(name := digest_id([m.message_id for m in parts])),
                body=digest_of([m.body for m in parts], message_id=name, source=source, now=now),
            ),
            parts=tuple(parts),
        )
        for _, parts in sorted(digests.items())
    ]
    return (*singles, *gathered)


@dataclass(frozen=True, kw_only=True, slots=True)
class Fate:
    """What to write into an outbox row after an attempt: delivered, tried again at, or given up."""

    message_id: str
    tries: int
    delivered_at: datetime | None = None
    next_at: datetime | None = None
    given_up_at: datetime | None = None
    sentence: str = ""


def fates(parcel: Parcel, outcome: Outcome, now: datetime) -> tuple[Fate, ...]:
    """Say what becomes of every row of a parcel."""
    return tuple(_fate(m, parcel.message.message_id, outcome, now) for m in parcel.parts)


def _fate(message: Message, jitter_by: str, outcome: Outcome, now: datetime) -> Fate:
    tries = message.tries + 1
    fate = Fate(message_id=message.message_id, tries=tries, sentence=outcome.sentence)
    match outcome:
        case Delivered():
            return replace(fate, delivered_at=now)
        case Refused():
            return replace(fate, given_up_at=now)
        case TryLater(after_s=after_s):
            again = next_try(jitter_by, tries, now, retry_after_s=after_s)
            return replace(fate, next_at=again) if again is not None else replace(fate, given_up_at=now)
