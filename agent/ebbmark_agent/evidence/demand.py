"""Demand: what a role or a format asks of a drive, in bytes and seconds.

Rules.

1. The rate is the sum of the streams on one medium. A stream whose peak is known but not how long the peak
   may last counts with its peak; one whose burst is known counts with its mean, and the burst is taken off
   the buffer; all others count with their mean.
2. The demand is the rate times the headroom. The buffer in bytes is rate x buffer_s less the bursts.
3. Where clips are cut into segments, every seam (close, flush, create) is a time in which nothing is written:
   the rest of the segment has to make up for it, and the buffer has to hold it.
4. Slots: `single` and `relay` ask the whole rate of the medium in use; `mirror` asks the whole rate of each.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from ebbmark_agent.evidence.formats import RecordingFormat

DEFAULT_BUFFER_S = 1.0  # [s] of stream; a recorder's maker seldom says, so little is assumed
DEFAULT_HEADROOM = 1.0  # [1] a format or rate asked for by itself is judged as it is; roles state theirs


class Side(StrEnum):
    """Whether a demand is for writing or for reading."""

    WRITE = "write"
    READ = "read"


class Slots(StrEnum):
    """How a recorder uses several media: one alone, one after the other, or the same on each."""

    SINGLE = "single"
    RELAY = "relay"
    MIRROR = "mirror"


@dataclass(frozen=True, kw_only=True)
class Stream:
    """One or more like streams that go to the same medium.

    Attributes:
        format: What each stream writes or reads.
        count: How many of them at once [1].
        part: What it is in the recording: main, proxy, audio, ...
    """

    format: RecordingFormat
    count: int = 1
    part: str = "main"

    def __post_init__(self) -> None:
        if self.count < 1:
            raise ValueError(f"{self.part}: a count of streams is at least 1, not {self.count}.")

    @property
    def rate_bytes_per_s(self) -> float:
        """The rate this asks to be carried without end [bytes/s]; see rule 1."""
        lasting_peak = self.format.peak_bytes_per_s if self.format.burst_bytes is None else None
        return self.count * (lasting_peak or self.format.mean_bytes_per_s)

    @property
    def burst_bytes(self) -> float:
        """What may come on top at once [bytes]."""
        return self.count * (self.format.burst_bytes or 0.0)


@dataclass(frozen=True, kw_only=True)
class Seams:
    """Clips cut into segments.

    Attributes:
        every_s: How long a segment is [s].
        pause_s: How long nothing is written between two of them [s].
    """

    every_s: float
    pause_s: float

    def __post_init__(self) -> None:
        if not 0 <= self.pause_s < self.every_s:
            raise ValueError(
                f"A seam of {self.pause_s:g} s every {self.every_s:g} s leaves no time to write; "
                "the pause must be shorter than the segment."
            )

    @property
    def factor(self) -> float:
        """By how much faster the rest of a segment must be written [1]."""
        return self.every_s / (self.every_s - self.pause_s)


@dataclass(frozen=True, kw_only=True)
class Demand:
    """What is asked of one medium.

    Attributes:
        name: The role, format or rate it was made of.
        rate_bytes_per_s: The sum of the streams, seams included [bytes/s].
        headroom: The factor kept on top [1].
        buffer_s: Seconds of stream the recorder holds [s].
        buffer_bytes: What of it is left for the drive's dips [bytes].
        side: Write or read.
        take_s: The longest take [s]; None: the whole medium.
        rest_before_take_s: Rest a role grants before every take [s]; None: takes back to back.
        streams: What it is the sum of; empty for a bare rate.
        slots: How the recorder uses its media.
    """

    name: str
    rate_bytes_per_s: float
    headroom: float = DEFAULT_HEADROOM
    buffer_s: float = DEFAULT_BUFFER_S
    buffer_bytes: float
    side: Side = Side.WRITE
    take_s: float | None = None
    rest_before_take_s: float | None = None
    streams: tuple[Stream, ...] = ()
    slots: Slots = Slots.SINGLE

    def __post_init__(self) -> None:
        if not isfinite(self.rate_bytes_per_s) or self.rate_bytes_per_s <= 0:
            raise ValueError(
                f"{self.name}: the demand is {self.rate_bytes_per_s:g} bytes/s. Nothing can be judged "
                "against no demand; name a role, a recording format or a rate above zero."
            )
        if not isfinite(self.headroom) or self.headroom < 1:
            raise ValueError(f"{self.name}: the headroom is {self.headroom:g}; it must be at least 1.")
        if not isfinite(self.buffer_s) or self.buffer_s < 0 or self.buffer_bytes < 0:
            raise ValueError(f"{self.name}: the buffer is {self.buffer_s:g} s; it cannot be below zero.")
        if self.take_s is not None and (not isfinite(self.take_s) or self.take_s <= 0):
            raise ValueError(f"{self.name}: a take of {self.take_s:g} s; it must be longer than zero.")

    @property
    def demand_bytes_per_s(self) -> float:
        """Rate times headroom [bytes/s]."""
        return self.rate_bytes_per_s * self.headroom

    @property
    def take_bytes(self) -> float | None:
        """What one take writes [bytes]; None for the whole medium."""
        return None if self.take_s is None else self.rate_bytes_per_s * self.take_s


def demand_of_streams(
    streams: Sequence[Stream],
    *,
    name: str,
    headroom: float = DEFAULT_HEADROOM,
    buffer_s: float = DEFAULT_BUFFER_S,
    side: Side = Side.WRITE,
    take_s: float | None = None,
    rest_before_take_s: float | None = None,
    seams: Seams | None = None,
    slots: Slots = Slots.SINGLE,
) -> Demand:
    """Sum unlike streams on one medium into what is asked of it.

    Args:
        streams: What is written or read at once; at least one.
        name: What to call the demand.
        headroom: Factor on top of the rate [1].
        buffer_s: Seconds of stream the recorder (or the player) holds [s].
        side: Write or read.
        take_s: The longest take [s]; None for the whole medium.
        rest_before_take_s: Rest before every take [s]; None for takes back to back.
        seams: How clips are cut, if they are.
        slots: How the media are used.

    Returns:
        The demand.

    Raises:
        ValueError: If there is no stream, or if bursts or a seam use up the whole buffer: then no drive of
            any speed would do, and the role is what needs a change.
    """
    if not streams:
        raise ValueError(f"{name}: there is no stream in it, so nothing is asked of a drive.")
    stream_rate = sum(each.rate_bytes_per_s for each in streams)
    bursts = sum(each.burst_bytes for each in streams)
    pause_s = seams.pause_s if seams else 0.0
    buffer_bytes = stream_rate * (buffer_s - pause_s) - bursts
    if buffer_bytes < 0:
        raise ValueError(
            f"{name}: a buffer of {buffer_s:g} s cannot hold a burst of {bursts / 1e6:g} MB and a seam of "
            f"{pause_s:g} s; give the recorder's real buffer, or a shorter seam."
        )
    return Demand(
        name=name,
        rate_bytes_per_s=stream_rate * (seams.factor if seams else 1.0),
        headroom=headroom,
        buffer_s=buffer_s,
        buffer_bytes=buffer_bytes,
        side=side,
        take_s=take_s,
        rest_before_take_s=rest_before_take_s,
        streams=tuple(streams),
        slots=slots,
    )


def demand_of_format(
    recording_format: RecordingFormat,
    *,
    headroom: float = DEFAULT_HEADROOM,
    buffer_s: float = DEFAULT_BUFFER_S,
    take_s: float | None = None,
    side: Side = Side.WRITE,
) -> Demand:
    """Make the demand of one stream of one format; a format that says how long it lasts gives the take.

    Arguments and errors as in `demand_of_streams`.
    """
    return demand_of_streams(
        [Stream(format=recording_format)],
        name=recording_format.name,
        headroom=headroom,
        buffer_s=buffer_s,
        take_s=take_s if take_s is not None else recording_format.take_s,
        side=side,
    )
