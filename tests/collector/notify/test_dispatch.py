"""Messages and what becomes of them: at least once, for days, and never dropped silently."""

import json
from datetime import UTC, timedelta

import pytest
from ebbmark_collector.alerts import Event, Severity
from ebbmark_collector.notify import (
    Channel,
    Delivered,
    Message,
    Refused,
    Target,
    TryLater,
    compose,
    fates,
    parcels,
)
from ebbmark_collector.notify.messages import subject_line, text_of
from ebbmark_collector.notify.retrying import DELAYS_S, JITTER, next_try
from hypothesis import given
from hypothesis import strategies as st

from tests.collector.notify.letters import NOW, SOURCE, a_line, a_message

DESK = Target(name="desk", channel=Channel.WEBHOOK)


def test_a_message_is_a_cloud_event() -> None:
    """CloudEvents 1.0: the required attributes are there, names are lower-case, time is RFC 3339."""
    event = json.loads(a_message().body)

    assert event["specversion"] == "1.0"
    assert (event["id"], event["source"]) == (a_message().message_id, SOURCE)
    assert event["type"] == "ebbmark.alert.raised"
    assert event["time"] == "2031-06-02T03:30:00Z"
    assert all(name.isascii() and name.isalnum() and name.islower() for name in event)


def test_a_message_says_all_that_an_alert_must() -> None:
    """Rank, syslog severity, floor against demand, since, act by, cause and one next step."""
    data = json.loads(a_message().body)["data"]

    assert (data["severity"], data["rank"], data["syslog_severity"]) == ("critical", 1, 1)
    assert data["alerts"][0]["next_step"] == "Give it air."
    assert data["alerts"][0]["predicts_lost_frames"] is True


def test_made_again_it_is_the_same_message() -> None:
    """The id follows from what is told to whom, so a receiver can drop a repeat."""
    assert a_message().message_id == a_message().message_id
    other = compose((a_line(),), [Target(name="other", channel=Channel.WEBHOOK)], source=SOURCE, now=NOW)[0]
    assert other.message_id != a_message().message_id


def test_the_text_for_people() -> None:
    """A mail says the same in words, with its subject in one line."""
    body = a_message(Channel.MAIL).body

    assert subject_line(body).startswith("[critical] LANE-07, last on edit-3")
    assert text_of(body).splitlines() == [
        "critical (rank 1), raised",
        "LANE-07, last on edit-3 (Room 2), role lane-recorder: floor 150 MB/s, 240 MB/s asked",
        "- The soak of 2031-06-01 ended at 150 MB/s.",
        "Cause: too_hot",
        "Since: 2031-06-01T03:30:00Z",
        "Act by: 2031-06-02T03:30:00Z",
        "Next: Give it air.",
    ]


def test_cleared_says_why_in_the_message() -> None:
    """The reason an alert was cleared for reaches whoever was told of it."""
    line = a_line(Event.CLEARED, before=Severity.CRITICAL, why="It was probed again and does better.")

    assert "Cleared: It was probed again and does better." in text_of(a_message(Channel.MAIL, line).body)


def test_the_retry_delays_are_those_of_standard_webhooks() -> None:
    """5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h, 20 h, 24 h: 75 h 35 min 5 s in all."""
    assert sum(DELAYS_S) == ((75 * 60) + 35) * 60 + 5


@given(st.text(max_size=12), st.integers(1, len(DELAYS_S)))
def test_each_retry_is_its_delay_and_some_jitter_later(message_id: str, tries: int) -> None:
    """Never sooner than the delay, never more than the jitter later, and the same for the same message."""
    at = next_try(message_id, tries, NOW)

    assert at is not None
    waited = (at - NOW).total_seconds()
    assert DELAYS_S[tries - 1] <= waited <= DELAYS_S[tries - 1] * (1 + JITTER)
    assert next_try(message_id, tries, NOW) == at


def test_retry_after_is_honoured_up_to_a_day() -> None:
    """A receiver that asks for time gets it, but not for ever."""
    assert next_try("m", 1, NOW, retry_after_s=3600) == NOW + timedelta(hours=1)
    assert next_try("m", 1, NOW, retry_after_s=1e9) == NOW + timedelta(days=1)


def test_after_the_last_try_it_is_a_dead_letter() -> None:
    """Ten attempts, then it is given up and stays to be seen with its last sentence."""
    message = Message(**{**_fields(a_message()), "tries": len(DELAYS_S)})
    parcel = parcels([message], source=SOURCE, now=NOW)[0]

    fate = fates(parcel, TryLater(sentence="no answer"), NOW)[0]

    assert (fate.given_up_at, fate.next_at, fate.sentence) == (NOW, None, "no answer")
    assert fate.tries == 10


@pytest.mark.parametrize(
    ("outcome", "field"),
    [
        (Delivered(), "delivered_at"),
        (TryLater(sentence="busy"), "next_at"),
        (Refused(sentence="gone", target_gone=True), "given_up_at"),
    ],
    ids=["delivered", "later", "refused"],
)
def test_each_outcome_has_one_fate(outcome: Delivered | TryLater | Refused, field: str) -> None:
    """Exactly one of delivered, tried again and given up is set."""
    fate = fates(parcels([a_message()], source=SOURCE, now=NOW)[0], outcome, NOW)[0]

    assert [f for f in ("delivered_at", "next_at", "given_up_at") if getattr(fate, f) is not None] == [field]


def test_a_targets_digest_is_one_message_whose_parts_share_its_fate() -> None:
    """Three warnings go out as one, gravest first, and all three are marked."""
    lines = [a_line(severity=Severity.WARNING, subject_id=f"drive-{i}") for i in range(3)]
    due = compose(lines, [DESK], source=SOURCE, now=NOW)

    (parcel,) = parcels(due, source=SOURCE, now=NOW)

    event = json.loads(parcel.message.body)
    assert event["type"] == "ebbmark.alert.digest"
    assert event["data"]["headline"] == "Digest: 3 warning"
    assert len(fates(parcel, Delivered(), NOW)) == 3
    assert text_of(parcel.message.body).count("Next: Give it air.") == 3


def test_a_flood_is_one_message() -> None:
    """Forty lines at once make one message that counts forty."""
    lines = [a_line(subject_id=f"drive-{i}") for i in range(40)]

    (message,) = compose(lines, [DESK], source=SOURCE, now=NOW)

    assert json.loads(message.body)["data"]["count"] == 40
    assert len(message.body.encode()) < 40_000


def _fields(message: Message) -> dict[str, object]:
    return {name: getattr(message, name) for name in message.__dataclass_fields__}


def test_instants_in_bodies_are_utc() -> None:
    """RFC 3339 with Z."""
    assert NOW.tzinfo is UTC
    assert json.loads(a_message().body)["data"]["alerts"][0]["since"].endswith("Z")
