"""May a probe run, and must it stop: pure decisions from facts, each refusal with its sentence and figure."""

from ebbmark_agent.consent.activity import ActivityLog, Watched
from ebbmark_agent.consent.budget import Budget, Spending, spent_bytes, wear_budget
from ebbmark_agent.consent.cadence import due_at, phase_of
from ebbmark_agent.consent.clips import ClipSigns, look_for_clips
from ebbmark_agent.consent.facts import DiskActivity, HostFacts, TargetFacts, Wanted
from ebbmark_agent.consent.failing import failing_reason
from ebbmark_agent.consent.foreign import (
    NEIGHBOUR,
    ON_TARGET,
    DiskSample,
    ForeignMeter,
    ForeignSeen,
    Grant,
    lively,
)
from ebbmark_agent.consent.hours import inside_both, inside_hours, span_ends_at
from ebbmark_agent.consent.orders import (
    accept_orders,
    in_force,
    open_probe_orders,
    order_for,
    read_orders,
    wear_share,
)
from ebbmark_agent.consent.rules import BY_HAND_QUIET_S, quiet_needed_s, refusals, reserve_bytes

__all__ = [
    "BY_HAND_QUIET_S",
    "NEIGHBOUR",
    "ON_TARGET",
    "ActivityLog",
    "Budget",
    "ClipSigns",
    "DiskActivity",
    "DiskSample",
    "ForeignMeter",
    "ForeignSeen",
    "Grant",
    "HostFacts",
    "Spending",
    "TargetFacts",
    "Wanted",
    "Watched",
    "accept_orders",
    "due_at",
    "failing_reason",
    "in_force",
    "inside_both",
    "inside_hours",
    "lively",
    "look_for_clips",
    "open_probe_orders",
    "order_for",
    "phase_of",
    "quiet_needed_s",
    "read_orders",
    "refusals",
    "reserve_bytes",
    "span_ends_at",
    "spent_bytes",
    "wear_budget",
    "wear_share",
]
