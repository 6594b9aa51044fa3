"""Builds traces and evidence by hand for tests of the judgement, and reads the shipped definitions."""

from functools import cache
from importlib.resources import files
from typing import Any

from ebbmark_agent.evidence import (
    Bus,
    Demand,
    FileLayout,
    Formats,
    Path,
    ProbeEvidence,
    Roles,
    Trace,
    bare_rate,
    demand_of_format,
    load_formats,
    load_roles,
    read_trace,
)

MB, GB = 1e6, 1e9  # [bytes]
USB_10G = Path(
    bus=Bus.USB, key="usb/direct/uas/10 Gb/s", uas=True, link_now="10 Gb/s", link_now_bytes_per_s=1212.1e6
)


def shipped(name: str) -> str:
    """Read a definition that ships with the package."""
    return files("ebbmark_agent.evidence").joinpath(name).read_text(encoding="utf-8")


@cache
def shipped_formats() -> Formats:
    """Give the shipped formats."""
    return load_formats(shipped("formats.toml"))


@cache
def shipped_roles() -> Roles:
    """Give the shipped roles."""
    return load_roles(shipped("roles.toml"), shipped_formats())


def staged(*stages: tuple[float, float], block_bytes: float = 8 * MB) -> Trace:
    """Give a trace of stages, each (rate [bytes/s], bytes)."""
    times, totals = [0.0], [0.0]
    for rate, stage_bytes in stages:
        count = max(1, round(stage_bytes / block_bytes))
        for _ in range(count):
            times.append(times[-1] + stage_bytes / count / rate)
            totals.append(totals[-1] + stage_bytes / count)
    return Trace.from_points(times, totals)


def evidence(*segments: Trace, **facts: Any) -> ProbeEvidence:
    """Give a soak's evidence of traces, from empty, over USB 10 Gb/s, of a medium just as large."""
    written = sum(each.written_bytes for each in segments)
    base: dict[str, Any] = {
        "path": USB_10G,
        "file_system": "ext4",
        "layout": FileLayout.PREALLOCATED,
        "fill_start": 0.0,
        "capacity_bytes": int(written),
        "hottest_c": 51.0,
        "rest_before_s": 7200.0,
    }
    rotating = facts.get("rotational")
    read: dict[str, Any] = {"figures": read_trace(segments, rotating=rotating), "segments": segments}
    return ProbeEvidence(**(read | base | facts))


def asked(mb_per_s: float, **how: Any) -> Demand:
    """Give the demand of a bare rate [MB/s]."""
    return demand_of_format(bare_rate(mb_per_s * MB), **how)
