"""The closed sets of words by which a probe is told: its kind, its file's layout, how it ended."""

from enum import StrEnum


class ProbeKind(StrEnum):
    """What a probe set out to show."""

    SPOT = "spot"
    SOAK = "soak"
    REHEARSAL = "rehearsal"
    COPY = "copy"
    READ = "read"


class FileLayout(StrEnum):
    """How the probe file's space was had; only like may be compared with like."""

    APPENDED = "appended"
    PREALLOCATED = "preallocated"
    OVERWRITTEN = "overwritten"


class ProbeOutcome(StrEnum):
    """How a probe ended; only a completed or budget-limited one is judged."""

    COMPLETED = "completed"
    GAVE_WAY = "gave_way"
    FAILED = "failed"
    CANCELLED = "cancelled"


class SoakEnd(StrEnum):
    """Why a soak stopped writing."""

    WHOLE_MEDIUM = "whole_medium"
    SETTLED_PAST_CLIFF = "settled_past_cliff"
    BUDGET = "budget"
    HEAT = "heat"


class DiscardState(StrEnum):
    """Whether the drive was told of the freed blocks; never inferred from a deletion."""

    PROVEN = "proven"
    ASKED = "asked"
    NOT_POSSIBLE = "not_possible"


class Bus(StrEnum):
    """The interface by which the operating system reaches the drive."""

    NVME = "nvme"
    SATA = "sata"
    SAS = "sas"
    USB = "usb"
    MMC = "mmc"
    VIRTUAL = "virtual"
    LOOP = "loop"
    UNKNOWN = "unknown"
