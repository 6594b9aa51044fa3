"""What a running agent does again and again: look around, read health, talk to the collector, probe."""

from ebbmark_agent.cycle.health import read_due_health
from ebbmark_agent.cycle.leftovers import clear_leftovers
from ebbmark_agent.cycle.look import end_takes, keep_takes, look_around
from ebbmark_agent.cycle.probing import probe_if_due, refusals_now
from ebbmark_agent.cycle.state import Running
from ebbmark_agent.cycle.status import say_status
from ebbmark_agent.cycle.sync import SyncEnd, sync

__all__ = [
    "Running",
    "SyncEnd",
    "clear_leftovers",
    "end_takes",
    "keep_takes",
    "look_around",
    "probe_if_due",
    "read_due_health",
    "refusals_now",
    "say_status",
    "sync",
]
