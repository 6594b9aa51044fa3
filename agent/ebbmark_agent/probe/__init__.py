"""Runs one probe: how much to write, the unbuffered writer, the guard, the read-back, the tidy-up."""

from ebbmark_agent.probe.copying import Drop, largest_drop
from ebbmark_agent.probe.guard import CounterWatch, WatchedDisk
from ebbmark_agent.probe.plan import Plan, plan
from ebbmark_agent.probe.request import (
    OwnIo,
    Phase,
    ProbeRequest,
    Progress,
    ProgressSink,
    Thermometer,
    Watch,
)
from ebbmark_agent.probe.run import run_probe

__all__ = [
    "CounterWatch",
    "Drop",
    "OwnIo",
    "Phase",
    "Plan",
    "ProbeRequest",
    "Progress",
    "ProgressSink",
    "Thermometer",
    "Watch",
    "WatchedDisk",
    "largest_drop",
    "plan",
    "run_probe",
]
