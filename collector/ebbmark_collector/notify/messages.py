"""What is sent: a CloudEvents 1.0 body for programs, and the same in words for people.

A message is made once and kept in the outbox until it got through; its id is the same for every attempt, so
that a receiver can drop repeats. The body is for every channel: webhooks send it as it is, mail and the
others as text.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ebbmark_collector.alerts import SYSLOG_CLEARED, Event, Notice, Transition
from ebbmark_collector.notify.routing import Channel, Routed

EVENT_TYPE = "ebbmark.alert"
DIGEST_TYPE = "ebbmark.alert.digest"
CONTENT_TYPE = "application/cloudevents+json"
MOST_LISTED = 50  # [1] alerts in one body: receivers take about 20 kB (Standard Webhooks 1.0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Message:
    """One row of the outbox.

    Attributes:
        message_id: Constant over all attempts.
        target: The target's name in the settings.
        in_digest: To be gathered with the target's other digest messages into one.
        body: CloudEvents JSON, UTF-8.
        made_at: When it was made; `next_at` is before when it must not go.
        tries: Attempts so far [1].
    """

    message_id: str
    target: str
    channel: Channel
    in_digest: bool
    body: str
    made_at: datetime
    next_at: datetime
    tries: int = 0


def messages(
    routed: Sequence[Routed], *, source: str, now: datetime, link: str | None = None
) -> tuple[Message, ...]:
    """Make the outbox rows for routed notices.

    Args:
        routed: From `routing.route`.
        source: This collector's own address, the event's `source`.
        now: The instant.
        link: Put before `/v1/alerts` in texts for people; None: no links.
    """
    return tuple(
        Message(
            message_id=(name := _id(r, source)),
            target=r.target.name,
            channel=r.target.channel,
            in_digest=r.in_digest,
            body=json.dumps(
                event_of(r.notice, message_id=name, source=source, link=link), ensure_ascii=False
            ),
            made_at=now,
            next_at=r.not_before,
        )
        for r in routed
    )


def event_of(notice: Notice, *, message_id: str, source: str, link: str | None = None) -> dict[str, Any]:
    """Write a notice as a CloudEvents 1.0 event."""
    return {
        "specversion": "1.0",
        "id": message_id,
        "source": source,
        "type": f"{EVENT_TYPE}.{notice.event}",
        "subject": notice.transitions[0].key.subject_id if not notice.is_flood else notice.kind.value,
        "time": _instant(notice.at),
        "datacontenttype": "application/json",
        "data": {
            "headline": notice.headline,
            "event": notice.event.value,
            "condition": notice.kind.value,
            "severity": "cleared" if notice.event is Event.CLEARED else notice.severity.value,
            "rank": notice.severity.rank,
            "syslog_severity": SYSLOG_CLEARED if notice.event is Event.CLEARED else notice.severity.syslog,
            "count": len(notice.transitions),
            "link": f"{link.rstrip('/')}/v1/alerts" if link else None,
            "alerts": [_alert(t) for t in notice.transitions[:MOST_LISTED]],
        },
    }


def digest_of(bodies: Sequence[str], *, message_id: str, source: str, now: datetime) -> str:
    """Gather several bodies into one event, gravest first."""
    parts = sorted((json.loads(b)["data"] for b in bodies), key=lambda d: (d["rank"], d["headline"]))
    counts: dict[str, int] = {}
    for part in parts:
        counts[part["severity"]] = counts.get(part["severity"], 0) + part["count"]
    told = ", ".join(f"{n} {word}" for word, n in counts.items())
    return json.dumps(
        {
            "specversion": "1.0",
            "id": message_id,
            "source": source,
            "type": DIGEST_TYPE,
            "time": _instant(now),
            "datacontenttype": "application/json",
            "data": {
                "headline": f"Digest: {told}",
                "event": "digest",
                "rank": min(part["rank"] for part in parts),
                "count": sum(counts.values()),
                "notices": parts[:MOST_LISTED],
            },
        },
        ensure_ascii=False,
    )


def digest_id(message_ids: Sequence[str]) -> str:
    """Give a digest's own id: the same for the same messages, so that its attempts are one message."""
    return "dig_" + hashlib.sha256("\n".join(sorted(message_ids)).encode()).hexdigest()[:32]


def subject_line(body: str) -> str:
    """Give one line for people, such as a mail's subject."""
    data = json.loads(body)["data"]
    mark = f"[{data['severity']}] " if "severity" in data else ""
    return " ".join(f"{mark}{data['headline']}".split())[:180]


def text_of(body: str) -> str:
    """Write a body in words."""
    data = json.loads(body)["data"]
    parts = data.get("notices") or [data]
    blocks = [_words(part) for part in parts]
    if len(parts) < data["count"] and "notices" in data and len(parts) == MOST_LISTED:
        blocks.append("Further alerts are in the collector.")
    return "\n\n".join(blocks) + "\n"


def _words(data: dict[str, Any]) -> str:
    lines = [f"{data['severity']} (rank {data['rank']}), {data['event'].replace('_', ' ')}", data["headline"]]
    if data["count"] == 1:
        alert = data["alerts"][0]
        lines += [f"- {fact}" for fact in alert["why"]]
        for label, key in (
            ("Cause", "cause"),
            ("Since", "since"),
            ("Act by", "act_by"),
            ("Next", "next_step"),
        ):
            if alert[key]:
                lines.append(f"{label}: {alert[key]}")
        if alert["cleared_because"]:
            lines.append(f"Cleared: {alert['cleared_because']}")
    if data.get("link"):
        lines.append(data["link"])
    return "\n".join(lines)


def _alert(t: Transition) -> dict[str, Any]:
    c = t.condition
    return {
        "subject_id": t.key.subject_id,
        "condition": t.key.condition,
        "severity": t.severity.value,
        "severity_before": t.severity_before.value if t.severity_before else None,
        "predicts_lost_frames": c.predicts_lost_frames,
        "headline": c.headline,
        "asset_tag": c.asset_tag,
        "host": c.host,
        "place": c.place,
        "role": c.role_name,
        "value": c.value,
        "limit": c.limit,
        "unit": c.unit,
        "since": _instant(c.since) if c.since else None,
        "act_by": _instant(c.act_by) if c.act_by else None,
        "why": list(c.why),
        "cause": c.cause,
        "next_step": c.next_step,
        "cleared_because": t.why if t.event is Event.CLEARED else None,
        "by": t.by,
    }


def _instant(at: datetime) -> str:
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


def _id(routed: Routed, source: str) -> str:
    """Name a message by what it says to whom: made again, it is the same message."""
    notice = routed.notice
    parts = [
        source,
        routed.target.name,
        notice.event,
        *(f"{t.key}/{t.at.isoformat()}" for t in notice.transitions),
    ]
    return "msg_" + hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]
