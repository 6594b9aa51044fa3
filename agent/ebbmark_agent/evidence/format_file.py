"""Reads a file of recording formats, the shipped one or a house's own, and names every mistake at once."""

import re
from collections.abc import Iterator, Mapping

from ebbmark_agent.evidence.definition_file import Definition, Table, read_definition
from ebbmark_agent.evidence.formats import Formats, RateNature, RecordingFormat, WriteClass
from ebbmark_agent.evidence.frames import FrameRate, Packing, Raster, dnxhr_frame_bytes, pcm_bytes_per_s

FORMATS_FILE = "formats.toml"  # ships in this package; read it with importlib.resources and hand the text in
FORMATS_VERSION = 1
NTSC_STEP = 1.001  # [1] 24, 30 and 60 frames against 23.976, 29.97 and 59.94


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
