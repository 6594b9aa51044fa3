"""The figures of a reported probe: as they are kept beside it, and as a series needs them."""

import logging
import re

from ebbmark_agent.evidence import (
    Demand,
    Figures,
    read_trace,
)
from ebbmark_agent.evidence.figures import FIGURES_VERSION
from ebbmark_agent.evidence.links import path_ceiling
from ebbmark_agent.report import PathFacts, ProbeResult, path_of, traces_of
from pydantic import TypeAdapter

from ebbmark_collector.errors import StoreError
from ebbmark_collector.store import Row, Value, evidence

_LOG = logging.getLogger(__name__)
_FIGURES: TypeAdapter[Figures] = TypeAdapter(Figures)
_FRACTION = re.compile(r"\d+\.\d+(?:[eE][+-]?\d+)?")
_DIGITS = 9  # [1] kept of a figure: a byte a second of a gigabyte a second
NO_ROLE_BUFFER_S = 1.0  # [s] what a floor is shown for while no role says more


def figures_of(result: ProbeResult) -> Figures | None:
    """Read every figure of a probe; None where its trace has none to read."""
    try:
        segments = traces_of(result.trace)
        return read_trace(segments) if segments else None
    except ValueError as error:
        _LOG.warning("a trace cannot be read: %s", error, extra={"probe_id": result.probe_id})
        return None


def figure_columns(figures: Figures, path: PathFacts) -> dict[str, Value]:
    """Give the columns that follow from the figures whatever the role."""
    cliff = figures.cliffs[0] if figures.cliffs else None
    share = figures.spread.robust_share
    ceiling = path_ceiling(path_of(path))
    limited = ceiling is not None and share is not None and ceiling.holds(figures.lasting_bytes_per_s, share)
    steady = figures.steady
    return {
        "mean_bytes_per_s": figures.mean_bytes_per_s,
        "lasting_bytes_per_s": figures.lasting_bytes_per_s,
        "settled": int(steady is not None and steady.held),
        "cliff_at_bytes": cliff.at_bytes if cliff else None,
        "cliff_floor_bytes_per_s": cliff.after_bytes_per_s if cliff else None,
        "spread": share,
        "longest_stall_s": figures.stalls.longest_s,
        "stall_count": figures.stalls.count,
        "pattern": figures.pattern.shape.value,
        "path_limited": int(limited),
        "figures": kept_figures(figures),
    }


def kept_figures(figures: Figures) -> bytes:
    """Give figures as they are kept: judging what was kept makes a second judgement the same."""
    text = _FIGURES.dump_json(figures).decode()
    return evidence.pack(_FRACTION.sub(lambda number: f"{float(number.group()):.{_DIGITS}g}", text))


def floor_for(figures: Figures, demand: Demand | None) -> float:
    """Give the floor at the role's buffer [bytes/s]; without a role, at one second of stream."""
    if demand is None:
        return figures.floor(buffer_s=NO_ROLE_BUFFER_S).bytes_per_s
    return figures.floor(buffer_bytes=demand.buffer_bytes).bytes_per_s


def stored_figures(blob: bytes | None) -> Figures | None:
    """Read kept figures back; None where there were none."""
    if not blob:
        return None
    figures = _FIGURES.validate_json(evidence.unpack(blob))
    if figures.version > FIGURES_VERSION:
        raise StoreError(
            f"Figures of version {figures.version} were kept by a newer collector. Upgrade this one."
        )
    return figures


def bare_result(probe: Row) -> ProbeResult:
    """Give a stored probe as reported, without its trace."""
    text = evidence.unpack(probe["result_json"])
    return ProbeResult.model_validate_json(text[:-1] + ',"trace":[]}')
