"""Reads what a drive says of its own health and names; silence is a state with its own sentence."""

from ebbmark_agent.health.read import (
    Examination,
    LinkFacts,
    SmartDevice,
    examine,
    identity_of,
    interpret,
    read_health,
)
from ebbmark_agent.health.runner import JsonSmartctl, Listed, RunEnd, SmartctlRead, find_smartctl

__all__ = [
    "Examination",
    "JsonSmartctl",
    "LinkFacts",
    "Listed",
    "RunEnd",
    "SmartDevice",
    "SmartctlRead",
    "examine",
    "find_smartctl",
    "identity_of",
    "interpret",
    "read_health",
]
