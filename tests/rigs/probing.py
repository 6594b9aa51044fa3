"""Runs the agent's probe on a stand-in drive, as the tests of several packages do."""

from pathlib import Path
from typing import Any

from ebbmark_agent.evidence import Figures, Trace, read_trace
from ebbmark_agent.platforms import this_platform
from ebbmark_agent.probe import CounterWatch, ProbeRequest, WatchedDisk, run_probe
from ebbmark_agent.report import Bus, PathFacts, ProbeKind, ProbeResult

from tests.rigs.loop_drive import LoopDrive

LOOP_PATH = PathFacts(bus=Bus.LOOP)


def request_on(folder: Path, **fields: Any) -> ProbeRequest:
    """Ask for a spot probe in a folder, or what the fields say."""
    stated: dict[str, Any] = {
        "kind": ProbeKind.SPOT,
        "path": LOOP_PATH,
        "file_system": "ext4",
        "keep_free_bytes": 16_000_000,
    }
    return ProbeRequest(folder=folder, **{**stated, **fields})


def probe_drive(drive: LoopDrive, *, running: dict[str, Any] | None = None, **fields: Any) -> ProbeResult:
    """Probe a stand-in drive with its own counters watched, as the agent does."""
    given: dict[str, Any] = {
        "watch": CounterWatch(platform=this_platform(), disks=(WatchedDisk(name=drive.name),)),
        **(running or {}),
    }
    request = request_on(drive.mount, **{"disks": (drive.name,), **fields})
    return run_probe(request, platform=this_platform(), **given)


def traces_of(result: ProbeResult) -> list[Trace]:
    """Give a result's segments as traces."""
    return [Trace.from_steps(document.step_us, document.step_bytes) for document in result.trace]


def figures_of(result: ProbeResult) -> Figures:
    """Read a result's trace."""
    return read_trace(traces_of(result))
