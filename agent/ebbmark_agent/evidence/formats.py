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

from ebbmark_agent.evidence.definition_file import Definition, Table, read_definition
from ebbmark_agent.evidence.frames import FrameRate, Packing, Raster, dnxhr_frame_bytes, pcm_bytes_per_s

FORMATS_FILE = "formats.toml"  # ships in this package; read it with importlib.resources and hand the text in
FORMATS_VERSION = 1
NTSC_STEP = 1.001  # [1] 24, 30 and 60 frames against 23.976, 29.97 and 59.94


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


def load_formats(text: str, *, extends: Formats | None = None, what: str = FORMATS_FILE) -> Formats:
    """Read a format file.

    Args:
        text: The file's content.
        extends: Formats already in force (the shipped ones, for a house's own file), which this one adds
            to or overrides by name. Its rasters and frame rates may be used by name.
        what: How to call the file in a message.

    Returns:
        The formats, those of `extends` first.

    Raises:
        DefinitionError: With every mistake found: its line, its key and what is legal.
    """
    definition = read_definition(text, what=what)
    reading = _Reading(definition, extends)
    formats = reading.run()
    definition.raise_faults()
    return formats


class _Reading:
    """One pass over a format file; every section gives formats or notes faults."""

    def __init__(self, definition: Definition, extends: Formats | None) -> None:
        self.definition = definition
        self.top = Table(definition, (), definition.values)
        self.formats: dict[str, RecordingFormat] = dict(extends.formats) if extends else {}
        self.classes: list[WriteClass] = list(extends.write_classes) if extends else []
        inherited = list(extends) if extends else []
        self.rasters = {each.raster.name: each.raster for each in inherited if each.raster}
        self.rates = {each.frame_rate.name: each.frame_rate for each in inherited if each.frame_rate}
        self.given_here: set[str] = set()

    def run(self) -> Formats:
        version = self.top.whole("version", default=FORMATS_VERSION)
        if version != FORMATS_VERSION:
            self.top.fault("version", f"is {version}; this program reads version {FORMATS_VERSION}.")
        self._rasters()
        self._frame_rates()
        sections = {
            "target_rates": self._target_rates,
            "fixed_frames": self._fixed_frames,
            "macroblock_frames": self._macroblock_frames,
            "packings": self._packings,
            "labelled_rates": self._labelled_rates,
            "audio": self._audio,
            "free": self._free,
            "write_classes": self._write_class,
        }
        for key, section in sections.items():
            for table in self.top.tables(key):
                section(table)
                table.refuse_unknown_keys()
        self.top.refuse_unknown_keys()
        names = {str(raster): name for name, raster in self.rasters.items()}
        return Formats(formats=self.formats, write_classes=tuple(self.classes), raster_names=names)

    def _rasters(self) -> None:
        table = self.top.table("rasters")
        for name in table.names() if table else []:
            size = table.items(name, kind=int) if table else []
            if len(size) != 2 or min(size) < 1:
                self.top.definition.fault(("rasters", name), "must be [width, height] in pixels.")
                continue
            self.rasters[name] = Raster(name=name, width=size[0], height=size[1])

    def _frame_rates(self) -> None:
        table = self.top.table("frame_rates")
        for name in table.names() if table else []:
            ratio = table.items(name, kind=int) if table else []
            if len(ratio) != 2 or min(ratio) < 1:
                self.top.definition.fault(("frame_rates", name), "must be a ratio such as [60000, 1001].")
                continue
            self.rates[name] = FrameRate(name=name, numerator=ratio[0], denominator=ratio[1])

    def _named(self, table: Table, key: str, known: Mapping[str, object]) -> list[str]:
        """Give the names of a list that are known; fault the others."""
        found = []
        for name in table.items(key, kind=str):
            if name in known:
                found.append(name)
            else:
                table.fault(key, f"{name!r} is not known; legal are {', '.join(known)}.")
        return found

    def _add(self, table: Table, entry: RecordingFormat) -> None:
        if entry.name in self.given_here:
            table.fault("codec", f"{entry.name} is given twice; give each format once.")
        self.given_here.add(entry.name)
        self.formats[entry.name] = entry

    def _picture(
        self, table: Table, raster: str, frame_rate: str, bytes_per_s: float, nature: RateNature
    ) -> None:
        if bytes_per_s <= 0:
            return  # a stand-in of a fault already noted
        codec = table.text("codec")
        self._add(
            table,
            RecordingFormat(
                name=f"{codec}-{raster}-{frame_rate}",
                label=table.text("label", default=codec),
                mean_bytes_per_s=bytes_per_s,
                nature=nature,
                source=table.text("source"),
                raster=self.rasters[raster],
                frame_rate=self.rates[frame_rate],
            ),
        )

    def _target_rates(self, table: Table) -> None:
        for key in ("codec", "source"):
            table.text(key)
        table.text("label", default="?")
        printed = self._named(table, "frame_rates", self.rates)
        also = table.table("also")
        derived: dict[str, str] = {}
        for name in also.names() if also else []:
            derived[name] = also.choice(name, printed) if also else name
            if name not in self.rates:
                table.fault("also", f"{name!r} is no frame rate; legal are {', '.join(self.rates)}.")
        rows = table.table("mbit_per_s")
        if rows is None:
            table.fault("mbit_per_s", "is missing; it must be a row of rates [Mb/s] for each raster.")
            return
        for raster in rows.names():
            row = rows.items(raster, kind=float)
            if raster not in self.rasters:
                rows.fault(raster, f"is no raster; legal are {', '.join(self.rasters)}.")
            elif len(row) != len(printed):
                rows.fault(raster, f"has {len(row)} rates for {len(printed)} frame_rates; give one for each.")
            else:
                by_rate = dict(zip(printed, row, strict=True))
                if min(row, default=1.0) <= 0:
                    rows.fault(raster, "holds a rate that is not above zero.")
                by_rate |= {
                    name: by_rate[base] * NTSC_STEP for name, base in derived.items() if name in self.rates
                }
                for rate, mbit in by_rate.items():
                    self._picture(table, raster, rate, mbit * 1e6 / 8, RateNature.CEILING)

    def _each_frame(self, table: Table) -> Iterator[tuple[Raster, FrameRate]]:
        for key in ("codec", "source"):
            table.text(key)
        table.text("label", default="?")
        rates = self._named(table, "frame_rates", self.rates)
        for raster in self._named(table, "rasters", self.rasters):
            for rate in rates:
                yield self.rasters[raster], self.rates[rate]

    def _constant(self, table: Table, raster: Raster, rate: FrameRate, frame_bytes: int) -> None:
        self._picture(table, raster.name, rate.name, frame_bytes * rate.per_s, RateNature.CONSTANT)

    def _fixed_frames(self, table: Table) -> None:
        table.choice("scan", ("progressive", "interlaced"), default="progressive")
        frame_bytes = table.whole("frame_bytes")
        for raster, rate in self._each_frame(table):
            self._constant(table, raster, rate, frame_bytes)

    def _macroblock_frames(self, table: Table) -> None:
        profile = table.whole("bytes_per_255_macroblocks")
        for raster, rate in self._each_frame(table):
            size = dnxhr_frame_bytes(raster, bytes_per_255_macroblocks=profile)
            self._constant(table, raster, rate, size)

    def _packings(self, table: Table) -> None:
        packing = Packing(
            pixels_per_group=table.whole("pixels_per_group"),
            bytes_per_group=table.whole("bytes_per_group"),
            line_multiple_bytes=table.whole("line_multiple_bytes", default=1),
            header_bytes=table.whole("header_bytes", default=0, least=0),
            lines_per_row=table.whole("lines_per_row", default=1, most=2),
        )
        for raster, rate in self._each_frame(table):
            self._constant(table, raster, rate, packing.frame_bytes(raster))

    def _labelled_rates(self, table: Table) -> None:
        codec, label, source = table.text("codec"), table.text("label"), table.text("source")
        for mbit in table.items("mbit_per_s", kind=float):
            if mbit <= 0:
                table.fault("mbit_per_s", f"holds {mbit}; a rate must be above zero.")
                continue
            self._add(
                table,
                RecordingFormat(
                    name=f"{codec}-{mbit:g}",
                    label=f"{label}, {mbit:g} Mb/s",
                    mean_bytes_per_s=mbit * 1e6 / 8,
                    nature=RateNature.LABEL,
                    source=source,
                ),
            )

    def _audio(self, table: Table) -> None:
        codec, label, source = table.text("codec"), table.text("label"), table.text("source")
        sample_rate, bits = table.whole("sample_rate_hz"), table.whole("container_bits", most=64)
        for channels in table.items("channels", kind=int):
            if channels < 1:
                table.fault("channels", f"holds {channels}; a count of channels is at least 1.")
                continue
            rate = pcm_bytes_per_s(channels=channels, sample_rate_hz=sample_rate, container_bits=bits)
            self._add(
                table,
                RecordingFormat(
                    name=f"{codec}-{channels}ch",
                    label=f"{label}, {channels} ch",
                    mean_bytes_per_s=rate,
                    nature=RateNature.CONSTANT,
                    source=source,
                ),
            )

    def _free(self, table: Table) -> None:
        name = table.text("name")
        mean = table.number("mbyte_per_s", above=0)
        peak = table.optional_number("peak_mbyte_per_s", above=0)
        burst = table.optional_number("burst_mbyte", least=0)
        minutes = table.optional_number("minutes", above=0)
        label, source = table.text("label", default=name), table.text("source", default="the house's own")
        if peak is not None and peak < mean:
            table.fault("peak_mbyte_per_s", f"is {peak:g}; it must be at least mbyte_per_s, {mean:g}.")
        if name != self._listed_form(name):
            table.fault("name", f"is {name!r}; use small letters, digits, dots and hyphens.")
        if mean <= 0:
            return
        self._add(
            table,
            RecordingFormat(
                name=name,
                label=label,
                mean_bytes_per_s=mean * 1e6,
                nature=RateNature.CONSTANT if peak is None else RateNature.LABEL,
                source=source,
                peak_bytes_per_s=None if peak is None else peak * 1e6,
                burst_bytes=None if burst is None else burst * 1e6,
                take_s=None if minutes is None else minutes * 60,
            ),
        )

    @staticmethod
    def _listed_form(name: str) -> str:
        return re.sub(r"[^a-z0-9.-]+", "-", name.lower())

    def _write_class(self, table: Table) -> None:
        self.classes.append(
            WriteClass(
                name=table.text("name"),
                family=table.text("family"),
                bytes_per_s=table.number("mbyte_per_s", above=0) * 1e6,
                source=table.text("source"),
            )
        )
