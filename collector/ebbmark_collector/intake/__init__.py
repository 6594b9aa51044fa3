"""Intake: a report's way in. It is validated, stored and judged, and only then acknowledged."""

from ebbmark_collector.intake.accept import accept, accept_many, accept_together
from ebbmark_collector.intake.taking import Receipt, Refused

__all__ = ["Receipt", "Refused", "accept", "accept_many", "accept_together"]
