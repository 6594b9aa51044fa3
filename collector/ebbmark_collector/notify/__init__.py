"""Telling people and programs: routed notices, an outbox, signed webhooks, mail, and what Apprise reaches.

Pure: `compose(transitions, targets, ...)`, `parcels(due, ...)`, `fates(parcel, outcome, now)`, `route`,
`next_try`. Reaching out: `webhook.post`, `mail.send`, `elsewhere.send`, one attempt each. The store keeps
one row a message: message_id, target, channel, in_digest, body, made_at, next_at, tries, delivered_at,
given_up_at, last sentence.
"""

from ebbmark_collector.notify.dispatch import Fate, Parcel, compose, fates, parcels
from ebbmark_collector.notify.messages import Message
from ebbmark_collector.notify.outcomes import Delivered, Outcome, Refused, TryLater
from ebbmark_collector.notify.routing import Channel, QuietHours, Target, route

__all__ = [
    "Channel",
    "Delivered",
    "Fate",
    "Message",
    "Outcome",
    "Parcel",
    "QuietHours",
    "Refused",
    "Target",
    "TryLater",
    "compose",
    "fates",
    "parcels",
    "route",
]
