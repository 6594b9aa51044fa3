"""Judges one drive from one probe against one demand."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from ebbmark_agent.evidence.demand import Demand
from ebbmark_agent.evidence.probe_evidence import ProbeEvidence
from ebbmark_agent.evidence.standing import Fit


@dataclass(frozen=True, kw_only=True)
class InUse:
    """How the drive is used now, as far as known; None claims nothing.

    Attributes:
        path_key: The path it is on now; evidence over another path does not speak for it.
        file_system: What it is recorded through now.
        capacity_bytes: What the role will fill [bytes]; None: the evidence's own.
        debt_bytes: Bytes written since the last rest or erase [bytes].
        debt_discarded: The drive was shown to know of the freed blocks, rested, or a person erased it.
    """

    path_key: str | None = None
    file_system: str | None = None
    capacity_bytes: int | None = None
    debt_bytes: float = 0.0
    debt_discarded: bool = False


def fit(
    evidence: ProbeEvidence | None,
    demand: Demand,
    *,
    now: datetime | None = None,
    validity_days: float | None = None,
    in_use: InUse = InUse(),
    rehearsal: ProbeEvidence | None = None,
) -> Fit:
    """Judge one drive from one probe.

    Args:
        evidence: The probe; None where there is none.
        demand: What is asked.
        now: The instant the age is counted to, aware, UTC; None: the age is not judged (at the bench).
        validity_days: How long such evidence speaks for the drive [days].
        in_use: How the drive is used now.
        rehearsal: The latest rehearsal on like path, for a drive whose greedy floor is too low.

    Returns:
        The standing with its reasons, floor, minutes and reach.
    """
    raise NotImplementedError


def fit_list(evidence: ProbeEvidence, demands: Iterable[Demand], **how: object) -> tuple[Fit, ...]:
    """Judge one probe against every demand of the house, the widest margin first."""
    raise NotImplementedError
