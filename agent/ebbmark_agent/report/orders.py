"""What the collector tells one agent: it can ask for less than the machine's owner allows, never for more."""

from typing import Annotated

from pydantic import Field

from ebbmark_agent.evidence.probe_words import ProbeKind
from ebbmark_agent.report._base import Counter, Id, Instant, Name, Rate, Seconds, Sentence, Share, WireModel

ORDERS_VERSION = 1
MinuteOfDay = Annotated[int, Field(ge=0, le=1440)]


class ProbeHours(WireModel):
    """A daily span in the machine's local time in which probes may run; it may wrap past midnight."""

    from_minute: MinuteOfDay
    until_minute: MinuteOfDay
    weekdays: tuple[Annotated[int, Field(ge=0, le=6)], ...] = Field(
        default=(0, 1, 2, 3, 4, 5, 6), max_length=7
    )


class Hold(WireModel):
    """A span in which nothing probes, with its end and its reason."""

    hold_id: Id
    starts_at: Instant
    ends_at: Instant
    reason: Sentence


class SubjectOrder(WireModel):
    """A subject's role on this machine and what that role asks of the agent."""

    drive_names: tuple[Name, ...] = Field(default=(), max_length=8)
    volume_id: Name | None = None
    role: Name
    recorder: bool
    buffer_s: Seconds = 1.0
    rate_bytes_per_s: Rate = 0.0
    spot_every_s: Seconds = 86_400.0
    spot_bytes: Counter = 512_000_000
    soak_every_s: Seconds | None = None
    rated_endurance_bytes: Counter | None = None
    wear_share_a_year: Share = 0.01


class ProbeOrder(WireModel):
    """A single probe asked for, good until its end and carried out once."""

    order_id: Id
    drive_names: tuple[Name, ...] = Field(default=(), max_length=8)
    volume_id: Name | None = None
    kind: ProbeKind
    not_before: Instant
    ends_at: Instant
    max_bytes: Counter


class Orders(WireModel):
    """All that is in force for one host. A later `issued_at` replaces an earlier document as a whole."""

    version: int = Field(default=ORDERS_VERSION, ge=1, le=1000)
    host_id: Id
    issued_at: Instant
    valid_until: Instant
    probing_enabled: bool = False
    show: bool = Field(default=False, description="A show role: out of contact, this host stays quiet.")
    probe_hours: tuple[ProbeHours, ...] = Field(default=(), max_length=14)
    holds: tuple[Hold, ...] = Field(default=(), max_length=64)
    subjects: tuple[SubjectOrder, ...] = Field(default=(), max_length=1024)
    probes: tuple[ProbeOrder, ...] = Field(default=(), max_length=64)
    health_every_s: Seconds = 86_400.0
    report_every_s: Seconds = 300.0
