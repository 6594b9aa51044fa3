"""Intake: a report's way in. It is validated, stored and judged, and only then acknowledged."""

from ebbmark_collector.intake.accept import Receipt, Refused, accept, accept_many

__all__ = ["Receipt", "Refused", "accept", "accept_many"]
