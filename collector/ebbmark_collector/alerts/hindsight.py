"""The judge against what people saw: which reported incidents were foreseen by an alert, and how long before.

Incidents are ground truth. An alert counts only if it said by itself that frames would be lost, was raised
before the incident, and no more than `EARLIEST` before it: an alert that is always up foresees nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from statistics import median

from ebbmark_collector.alerts.vocabulary import ConditionKind, Event, Transition
from ebbmark_collector.judge.history import Incident

EARLIEST = timedelta(days=120)
_ANNOUNCES = frozenset({Event.RAISED, Event.RAISED_AGAIN, Event.SEVERITY_UP})


@dataclass(frozen=True, kw_only=True, slots=True)
class Hindsight:
    """How the judge did.

    Attributes:
        foreseen: Incident ids with an alert before them.
        missed: Incident ids without.
        lead_days: From the first such alert to each incident, in the order of `foreseen` [days].
    """

    foreseen: tuple[str, ...] = ()
    missed: tuple[str, ...] = ()
    lead_days: tuple[float, ...] = ()

    @property
    def share_foreseen(self) -> float | None:
        """Give the share of incidents that were foreseen [1]; None without any."""
        total = len(self.foreseen) + len(self.missed)
        return len(self.foreseen) / total if total else None

    @property
    def median_lead_days(self) -> float | None:
        """Give the median lead [days]; None where nothing was foreseen."""
        return median(self.lead_days) if self.lead_days else None


def hindsight(
    incidents: Mapping[str, Iterable[Incident]], transitions: Mapping[str, Sequence[Transition]]
) -> Hindsight:
    """Hold alerts against incidents.

    Args:
        incidents: By subject id.
        transitions: The alert history of each subject, in any order.
    """
    foreseen: list[tuple[str, float]] = []
    missed: list[str] = []
    for subject_id, happened in sorted(incidents.items()):
        announced = sorted(t.at for t in transitions.get(subject_id, ()) if _announces(t))
        for incident in sorted(happened, key=lambda i: (i.happened_at, i.incident_id)):
            at = incident.happened_at
            before = [when for when in announced if at - EARLIEST <= when < at]
            if before:
                foreseen.append((incident.incident_id, (at - before[0]).total_seconds() / 86_400))
            else:
                missed.append(incident.incident_id)
    return Hindsight(
        foreseen=tuple(name for name, _ in foreseen),
        missed=tuple(missed),
        lead_days=tuple(lead for _, lead in foreseen),
    )


def _announces(t: Transition) -> bool:
    reported = t.key.kind is ConditionKind.FRAMES_LOST  # raised by the incident itself
    return t.event in _ANNOUNCES and t.condition.predicts_lost_frames and not reported
