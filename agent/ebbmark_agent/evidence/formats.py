"""Recording formats: what each writes a second, found by a name a person can type.

Names are `codec-raster-framerate`, such as `prores-422-hq-uhd-59.94`. Capitals, blanks and underscores do not
matter, and a raster may be given in pixels (`3840x2160`). A bare rate such as `150MB/s` or `880Mb/s` is a
format as well. Texts are handed in; nothing here opens a file.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import StrEnum
from math import isfinite

from ebbmark_agent.evidence.frames import FrameRate, Raster


class RateNature(StrEnum):
    """What a format's rate is: the same every frame, a ceiling it stays under, or a label of its kind."""

    CONSTANT = "constant"
    CEILING = "ceiling"
    LABEL = "label"


@dataclass(frozen=True, kw_only=True)
class RecordingFormat:
    """One thing a recorder can write, with its rate and where the rate comes from.

    Attributes:
        name: The name it is asked for by.
        label: The codec or kind in words.
        mean_bytes_per_s: The rate, or its ceiling [bytes/s].
        nature: What kind of rate that is.
        source: The publication the rate was taken from.
        raster: The picture's size; None for audio and bare rates.
        frame_rate: Frames a second; None for audio and bare rates.
        peak_bytes_per_s: The highest rate for as long as a buffer lasts [bytes/s]; None: not known.
        burst_bytes: What may come at once on top of the mean [bytes]; None: not known.
        take_s: How long a recording of it lasts at most [s]; None: not said.
    """

    name: str
    label: str
    mean_bytes_per_s: float
    nature: RateNature
    source: str
    raster: Raster | None = None
    frame_rate: FrameRate | None = None
    peak_bytes_per_s: float | None = None
    burst_bytes: float | None = None
    take_s: float | None = None

    def __post_init__(self) -> None:
        if not isfinite(self.mean_bytes_per_s) or self.mean_bytes_per_s <= 0:
            raise ValueError(f"{self.name}: a rate must be above zero, not {self.mean_bytes_per_s} bytes/s.")

    def __str__(self) -> str:
        """Give the format in words: `ProRes 422 HQ, 3840x2160, 59.94`."""
        return ", ".join(
            str(part)
            for part in (self.label, self.raster, self.frame_rate.name if self.frame_rate else None)
            if part is not None
        )


@dataclass(frozen=True, kw_only=True)
class WriteClass:
    """A guaranteed sustained write class printed on media; a promise under its own conditions."""

    name: str
    family: str
    bytes_per_s: float
    source: str


class UnknownFormat(ValueError):  # noqa: N818 - named for what it says, as the sentence is the error
    """A name that is neither a format nor a rate."""

    def __init__(self, name: str, near: Sequence[str]) -> None:
        self.name = name
        self.near = tuple(near)
        hint = f"Did you mean {' or '.join(near)}? " if near else ""
        super().__init__(
            f"No recording format is called {name!r}. {hint}"
            "Give a name as listed, such as prores-422-hq-uhd-59.94, or a rate such as 150MB/s or 880Mb/s."
        )


@dataclass(frozen=True, kw_only=True)
class Formats:
    """The formats and write classes in force."""

    formats: Mapping[str, RecordingFormat]
    write_classes: tuple[WriteClass, ...] = ()
    raster_names: Mapping[str, str] = field(default_factory=dict)

    def __iter__(self) -> Iterator[RecordingFormat]:
        """Give every format in the order of the file."""
        return iter(self.formats.values())

    def __len__(self) -> int:
        """Count the formats."""
        return len(self.formats)

    def find(self, name: str) -> RecordingFormat:
        """Find a format by its name, or make one of a bare rate.

        Args:
            name: A listed name, a name with its raster in pixels, or a rate such as `150MB/s`.

        Returns:
            The format.

        Raises:
            UnknownFormat: If it is neither; the message names the nearest ones.
        """
        wanted = self._plain(name)
        if wanted in self.formats:
            return self.formats[wanted]
        rate = parse_rate(name)
        if rate is None:
            raise UnknownFormat(name, get_close_matches(wanted, self.formats, n=3))
        return bare_rate(rate)

    def _plain(self, name: str) -> str:
        """Bring a typed name to the listed form."""
        plain = re.sub(r"[\s_,]+", "-", name.strip().lower()).removesuffix("p")
        for pixels, short in self.raster_names.items():
            plain = plain.replace(f"-{pixels}", f"-{short}")
        return plain

    def classes_carried_by(self, rate_bytes_per_s: float) -> tuple[WriteClass, ...]:
        """Give the write classes whose promise a rate would keep, the highest last."""
        kept = (each for each in self.write_classes if each.bytes_per_s <= rate_bytes_per_s)
        return tuple(sorted(kept, key=lambda each: each.bytes_per_s))

    def least_class_for(self, rate_bytes_per_s: float, *, family: str | None = None) -> WriteClass | None:
        """Give the lowest class whose promise covers a rate [bytes/s], or None where no class does."""
        enough = (
            each
            for each in self.write_classes
            if each.bytes_per_s >= rate_bytes_per_s and family in (None, each.family)
        )
        return min(enough, key=lambda each: each.bytes_per_s, default=None)


_RATE = re.compile(r"^\s*([0-9]+(?:\.[0-9]+)?)\s*([kMGT]?i?)(B|b|bit|Bit|bits)(?:/s|ps)\s*$")
_POWERS = {
    "": 1.0,
    "k": 1e3,
    "M": 1e6,
    "G": 1e9,
    "T": 1e12,
    "ki": 2.0**10,
    "Ki": 2.0**10,
    "Mi": 2.0**20,
    "Gi": 2.0**30,
}


def parse_rate(text: str) -> float | None:
    """Read a rate such as `150MB/s`, `1.2 GB/s`, `880Mb/s` or `880 Mbit/s`.

    Args:
        text: The rate with its unit. B is a byte, b and bit are a bit: capitals matter.

    Returns:
        The rate [bytes/s], or None if the text is no rate.

    Raises:
        ValueError: If the rate is zero: nothing can be judged against no demand.
    """
    found = _RATE.match(text)
    if not found or found[2] not in _POWERS:
        return None
    rate = float(found[1]) * _POWERS[found[2]] / (1.0 if found[3] == "B" else 8.0)
    if rate <= 0:
        raise ValueError(f"{text.strip()} is no demand: a rate must be above zero.")
    return rate


def bare_rate(rate_bytes_per_s: float) -> RecordingFormat:
    """Make a format of a bare rate [bytes/s]."""
    return RecordingFormat(
        name=f"{rate_bytes_per_s / 1e6:.10g}MB/s",
        label=f"{rate_bytes_per_s / 1e6:.10g} MB/s",
        mean_bytes_per_s=rate_bytes_per_s,
        nature=RateNature.CONSTANT,
        source="as asked",
    )
