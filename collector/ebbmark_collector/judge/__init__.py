"""One drive judged over time, and beside its siblings: pure functions of stored history, role and `now`.

    stand(history, role, now) -> Standing
    outlook(history, role, now) -> Outlook
    compare(history, role, now) -> Cohort
    causes(history, role, standing, outlook, now) -> tuple[Cause, ...]
    plan(outlooks) -> tuple[Replacement, ...]      (a replacement plan by month)
    soak_sooner(history, role, outlook, now) -> SoakSooner | None

`role` is a `roles.DriveRole` or None where none is assigned. What goes in is in `history`, what comes out in
`findings`.
"""

from ebbmark_collector.judge.cadence import SoakSooner, soak_sooner
from ebbmark_collector.judge.causes import causes
from ebbmark_collector.judge.cohort import compare
from ebbmark_collector.judge.course import Replacement, outlook, plan
from ebbmark_collector.judge.findings import (
    Cause,
    CauseKind,
    Cohort,
    Ground,
    Likeness,
    Limit,
    Meeting,
    NoDate,
    Outlook,
    Reason,
    Slide,
    Standing,
    Step,
    Wear,
)
from ebbmark_collector.judge.history import (
    Assignment,
    FindingPoint,
    HealthPoint,
    HostFacts,
    Incident,
    PathNow,
    Presence,
    ProbePoint,
    Siblings,
    SubjectFacts,
    SubjectHistory,
    TakePoint,
)
from ebbmark_collector.judge.standing import stand

__all__ = [
    "Assignment",
    "Cause",
    "CauseKind",
    "Cohort",
    "FindingPoint",
    "Ground",
    "HealthPoint",
    "HostFacts",
    "Incident",
    "Likeness",
    "Limit",
    "Meeting",
    "NoDate",
    "Outlook",
    "PathNow",
    "Presence",
    "ProbePoint",
    "Reason",
    "Replacement",
    "Siblings",
    "Slide",
    "SoakSooner",
    "Standing",
    "Step",
    "SubjectFacts",
    "SubjectHistory",
    "TakePoint",
    "Wear",
    "causes",
    "compare",
    "outlook",
    "plan",
    "soak_sooner",
    "stand",
]
