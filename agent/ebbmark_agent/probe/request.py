"""What a probe is asked to do, what it may be told while it runs, and what it says meanwhile."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Protocol

from ebbmark_agent.report import FileLayout, PathFacts, ProbeKind

SPOT_BYTES = 2_000_000_000  # [bytes] past the first second of a fast drive, short enough to run daily
DEFAULT_FRAMES_A_SECOND = 25.0  # [1/s] EBU R 38 territory; a role states its own


@dataclass(frozen=True, kw_only=True)
class ProbeRequest:
    """One probe to run.

    Attributes:
        folder: A folder on the volume to probe; only its volume matters.
        kind: What to show.
        path: The way from this machine to the drive, as it stands now.
        file_system: The volume's file system by its usual name.
        disks: Kernel names of the whole disks beneath the volume, for their counters; empty where unknown.
        probe_id: The probe's name; made up when None.
        max_bytes: The most it may write in all [bytes]; None: what the kind and the room allow.
        role_fills_bytes: What the role will fill [bytes]; None: the whole medium.
        keep_free_bytes: Room it leaves on the volume [bytes]; None: 1 % of it, at least 256 MB.
        layout: How the file's space is had. Preallocated falls back to appended where a file system cannot.
        buffer_s: The recorder's buffer [s of stream].
        rate_bytes_per_s: The role's rate, for a rehearsal [bytes/s].
        frames_per_s: Frames a second, for a rehearsal [1/s].
        duration_s: Length of a rehearsal [s]; None: as long as `max_bytes` and the room carry it.
        segment_s: A rehearsal closes one file and begins the next after so long [s]; None: one file.
        segment_bytes: The same by size [bytes]; None: by time only.
        streams: Files read at once in a read probe [1].
        source: The file to copy in a copy test; None: made-up data, which no source drive can slow.
        settle_round_s: How long each of the five rounds must be in which a soak settles [s].
        heat_limit_c: A soak pauses from this temperature on [C]; None: it does not.
        heat_every_s: How often the temperature is read [s].
        read_back: Whether what was written is read back and compared.
        rest_before_s: How long the drive has had no write before [s], if known.
        by_hand: Whether a person started it.
        block_bytes: Fix the block size [bytes]; None: it follows the rate.
    """

    folder: Path
    kind: ProbeKind
    path: PathFacts
    file_system: str
    disks: tuple[str, ...] = ()
    probe_id: str | None = None
    max_bytes: int | None = None
    role_fills_bytes: int | None = None
    keep_free_bytes: int | None = None
    layout: FileLayout = FileLayout.PREALLOCATED
    buffer_s: float = 1.0
    rate_bytes_per_s: float | None = None
    frames_per_s: float = DEFAULT_FRAMES_A_SECOND
    duration_s: float | None = None
    segment_s: float | None = None
    segment_bytes: int | None = None
    streams: int = 1
    source: Path | None = None
    settle_round_s: float = 60.0
    heat_limit_c: float | None = None
    heat_every_s: float = 15.0
    read_back: bool = True
    rest_before_s: float | None = None
    by_hand: bool = False
    block_bytes: int | None = None


@dataclass(frozen=True, kw_only=True)
class OwnIo:
    """The probe's own reads and writes so far [bytes]; `read_bytes` of those done were reads."""

    done_bytes: int
    in_flight_bytes: int = 0
    read_bytes: int = 0


class Watch(Protocol):
    """Looks whether the probe must give way; asked between blocks, so it answers within a millisecond."""

    def poll(self, own: OwnIo) -> str | None:
        """Give the reason to stop in one sentence, or None to go on."""


class Phase(StrEnum):
    """What a probe is doing."""

    LAYING_OUT = "laying_out"
    WRITING = "writing"
    PAUSED_FOR_HEAT = "paused_for_heat"
    READING_BACK = "reading_back"
    READING = "reading"
    TIDYING = "tidying"


@dataclass(frozen=True, kw_only=True)
class Progress:
    """How far a probe is.

    Attributes:
        phase: What it does now.
        done_bytes: Bytes of this phase done [bytes].
        target_bytes: Bytes this phase is to do [bytes].
        elapsed_s: Since the phase began [s].
        rate_now_bytes_per_s: Over the last second [bytes/s].
        floor_so_far_bytes_per_s: Highest constant rate carried so far with the buffer [bytes/s], once known.
        left_s: Time left at the present rate [s], once known.
        temperature_c: The drive's temperature [C], where known.
    """

    phase: Phase
    done_bytes: int
    target_bytes: int
    elapsed_s: float
    rate_now_bytes_per_s: float
    floor_so_far_bytes_per_s: float | None = None
    left_s: float | None = None
    temperature_c: float | None = None


ProgressSink = Callable[[Progress], None]
Thermometer = Callable[[], float | None]
"""Reads the drive's temperature [C] or None; called from a thread of its own, so it may take a second."""
