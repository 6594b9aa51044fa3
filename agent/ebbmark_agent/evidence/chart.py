"""Draws a probe as SVG: rate over bytes written, what was asked, the floor, cliffs and the tightest stretch.

Everything is told by shape, dash and words as well as by tone, so it reads in grey and in print. The picture
carries a title and a description for those who do not see it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from xml.sax.saxutils import escape

from ebbmark_agent.evidence.drawing import INK, MID, PALE, PAPER, line, text
from ebbmark_agent.evidence.figures import Figures
from ebbmark_agent.evidence.rate_columns import RateColumn, rate_columns
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_rate
from ebbmark_agent.evidence.standing import Fit
from ebbmark_agent.evidence.trace import Trace

WIDTH, HEIGHT = 960, 420  # [px]
LEFT, RIGHT, TOP, BOTTOM = 76, 190, 72, 56  # [px]
LABEL_STEP = 17  # [px] least distance between the labels on the right
ACCENT = "#0b3d91"  # dark enough to read as near-black in grey
HEADROOM_SHARE = 1.08  # [1] empty space above the highest line


@dataclass(frozen=True, kw_only=True)
class _Scale:
    """Bytes and rates to pixels."""

    total_bytes: float
    top_bytes_per_s: float

    def x(self, at_byte: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * at_byte / self.total_bytes

    def y(self, rate: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * min(1.0, rate / self.top_bytes_per_s)


@dataclass(frozen=True, kw_only=True)
class _Line:
    """A level with its label: what was asked, the recording's rate, the floor."""

    rate: float
    label: str
    colour: str
    dash: str
    weight: float


def chart(
    segments: Sequence[Trace],
    *,
    figures: Figures,
    judged: Fit | None = None,
    title: str = "Write rate",
    moved: str = "written",
) -> str:
    """Draw a probe.

    Args:
        segments: Its traces, laid end to end by bytes.
        figures: Its figures.
        judged: The judgement, for the lines and the window; None draws the trace and its cliffs alone.
        title: What is drawn, such as the drive and the kind of probe.
        moved: What was done with the bytes: written, or read.

    Returns:
        An SVG document.

    Raises:
        ValueError: If there is nothing to draw.
    """
    columns = rate_columns(segments, WIDTH - LEFT - RIGHT)
    lines = _levels(judged)
    highest = max([each.fastest_bytes_per_s for each in columns] + [each.rate for each in lines])
    scale = _Scale(total_bytes=figures.total_bytes, top_bytes_per_s=highest * HEADROOM_SHARE or 1.0)
    subtitle = _subtitle(judged)
    body = [
        *_axes(scale, moved),
        *_window(scale, figures, judged),
        _area(scale, columns),
        _mean(scale, columns),
        *_cliffs(scale, figures),
        *_pauses(scale, segments),
        *_drawn_levels(scale, lines),
        text(WIDTH - RIGHT + 16, HEIGHT - BOTTOM + 20, "line: over 1 s; grey: extremes", size=11, colour=MID),
        text(LEFT, 26, title, size=17, weight="bold"),
        text(LEFT, 46, subtitle, size=13, colour=MID),
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
        f'height="{HEIGHT}" role="img" aria-labelledby="chart-title chart-description" '
        'font-family="DejaVu Sans, Liberation Sans, Arial, sans-serif">\n'
        f'<title id="chart-title">{escape(title)}</title>\n'
        f'<desc id="chart-description">{escape(describe(figures, judged, moved=moved))}</desc>\n'
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>\n' + "\n".join(body) + "\n</svg>\n"
    )


def describe(figures: Figures, judged: Fit | None = None, *, moved: str = "written") -> str:
    """Say in words what the chart shows."""
    mean, last = spoken_rate(figures.mean_bytes_per_s), spoken_rate(figures.lasting_bytes_per_s)
    amount = f"{spoken_bytes(figures.total_bytes)} {moved} in {figures.duration_s:.0f} s"
    parts = [f"{amount}, on average {mean}, at the end {last}."]
    parts += [
        f"It steps down at {spoken_bytes(each.at_bytes)} from {spoken_rate(each.before_bytes_per_s)} "
        f"to {spoken_rate(each.after_bytes_per_s)}."
        for each in figures.cliffs
    ]
    if judged is not None:
        parts.append(f"Asked are {spoken_rate(judged.demand.demand_bytes_per_s)}: {judged.standing}.")
    if judged is not None and judged.floor_bytes_per_s is not None:
        parts.append(f"The floor is {spoken_rate(judged.floor_bytes_per_s)}.")
    return " ".join(parts)


def _subtitle(judged: Fit | None) -> str:
    if judged is None:
        return "rate at each byte, slowest to fastest"
    return f"{judged.standing} for {judged.demand.name}, buffer {judged.demand.buffer_s:g} s of stream"


def _levels(judged: Fit | None) -> list[_Line]:
    if judged is None:
        return []
    demand = judged.demand
    lines = [
        _Line(
            rate=demand.demand_bytes_per_s,
            label=f"asked {spoken_rate(demand.demand_bytes_per_s)}",
            colour=INK,
            dash="9 5",
            weight=2.0,
        )
    ]
    if demand.headroom > 1:
        rate = demand.rate_bytes_per_s
        lines.append(
            _Line(rate=rate, label=f"recording {spoken_rate(rate)}", colour=MID, dash="2 4", weight=2.0)
        )
    if judged.floor_bytes_per_s is not None:
        rate = judged.floor_bytes_per_s
        lines.append(_Line(rate=rate, label=f"floor {spoken_rate(rate)}", colour=ACCENT, dash="", weight=1.6))
    return lines


def _axes(scale: _Scale, moved: str) -> list[str]:
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM
    parts = []
    for rate in ticks(scale.top_bytes_per_s, 8):
        y = scale.y(rate)
        parts.append(line(LEFT, y, right, y, colour="#e6e6e6", weight=1))
        parts.append(text(LEFT - 8, y + 4, f"{rate / 1e6:g}", anchor="end"))
    unit_bytes, unit = (1e9, "GB") if scale.total_bytes >= 2e9 else (1e6, "MB")
    for at_byte in ticks(scale.total_bytes, 8):
        x = scale.x(at_byte)
        parts.append(line(x, bottom, x, bottom + 5, colour=INK, weight=1))
        parts.append(text(x, bottom + 20, f"{at_byte / unit_bytes:g}", anchor="middle"))
    parts.append(line(LEFT, bottom, right, bottom, colour=INK, weight=1.2))
    parts.append(line(LEFT, TOP, LEFT, bottom, colour=INK, weight=1.2))
    parts.append(text((LEFT + right) / 2, HEIGHT - 14, f"{moved}, {unit}", anchor="middle"))
    middle = (TOP + bottom) / 2
    parts.append(
        f'<text x="20" y="{middle:.1f}" font-size="13" fill="{INK}" text-anchor="middle" '
        f'transform="rotate(-90 20 {middle:.1f})">rate, MB/s</text>'
    )
    return parts


def ticks(top: float, most: int) -> list[float]:
    """Give round values from 0 up to a top: steps of 1, 2 or 5 times a power of ten, at most so many."""
    rough = top / most
    power = 10.0 ** floor(log10(rough))
    step = next(each * power for each in (1, 2, 5, 10) if each * power >= rough * (1 - 1e-9))
    return [at * step for at in range(ceil(top / step + 1e-9)) if at * step <= top]


def _area(scale: _Scale, columns: Sequence[RateColumn]) -> str:
    """Fill between the slowest and the fastest rate of each column, and paler down to the axis."""
    top = [f"{scale.x(_middle(each)):.1f},{scale.y(each.fastest_bytes_per_s):.1f}" for each in columns]
    low = [f"{scale.x(_middle(each)):.1f},{scale.y(each.slowest_bytes_per_s):.1f}" for each in columns]
    return f'<polygon points="{" ".join(top + low[::-1])}" fill="{PALE}" stroke="{PALE}" stroke-width="1"/>'


def _mean(scale: _Scale, columns: Sequence[RateColumn]) -> str:
    """Draw the line: what the drive carried there over a second."""
    points = " ".join(
        f"{scale.x(_middle(each)):.1f},{scale.y(each.mean_bytes_per_s):.1f}" for each in columns
    )
    return f'<polyline points="{points}" fill="none" stroke="{INK}" stroke-width="1.3"/>'


def _middle(column: RateColumn) -> float:
    return (column.start_byte + column.end_byte) / 2


def _window(scale: _Scale, figures: Figures, judged: Fit | None) -> list[str]:
    """Mark the stretch that sets the floor."""
    if judged is None or judged.floor_bytes_per_s is None:
        return []
    buffer_bytes = judged.demand.buffer_bytes
    deciding = min(figures.segments, key=lambda each: each.floor(buffer_bytes=buffer_bytes).bytes_per_s)
    found = deciding.floor(buffer_bytes=buffer_bytes)
    if found.window_bytes is None:
        return []
    start, end = (scale.x(deciding.offset_bytes + at) for at in found.window_bytes)
    wide = max(2.0, end - start)
    hatch = (
        '<pattern id="tight" width="7" height="7" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="1.2" height="7" fill="{MID}"/></pattern>'
    )
    stretch = (
        f'<rect x="{start:.1f}" y="{TOP}" width="{wide:.1f}" height="{HEIGHT - TOP - BOTTOM}" '
        'fill="url(#tight)" opacity="0.28"/>'
    )
    words_x = min(start + 6, WIDTH - RIGHT - 120)
    return [hatch, stretch, text(words_x, TOP - 4, "tightest stretch", size=11, colour=MID)]


def _cliffs(scale: _Scale, figures: Figures) -> list[str]:
    parts = []
    for each in figures.cliffs:
        x = scale.x(each.at_bytes)
        parts.append(line(x, TOP, x, HEIGHT - BOTTOM, colour=ACCENT, weight=1.2, dash="1 3"))
        side, anchor = (6, "start") if x < WIDTH - RIGHT - 150 else (-6, "end")
        label = f"cliff at {spoken_bytes(each.at_bytes)}"
        parts.append(text(x + side, TOP + 14, label, size=12, colour=ACCENT, anchor=anchor, halo=True))
    return parts


def _pauses(scale: _Scale, segments: Sequence[Trace]) -> list[str]:
    parts, at_byte = [], 0.0
    for segment in segments[:-1]:
        at_byte += segment.written_bytes
        x = scale.x(at_byte)
        parts.append(line(x, TOP, x, HEIGHT - BOTTOM, colour=MID, weight=1, dash="6 3 1 3"))
        parts.append(text(x + 4, HEIGHT - BOTTOM - 8, "pause", size=11, colour=MID, halo=True))
    return parts


def _drawn_levels(scale: _Scale, lines: Sequence[_Line]) -> list[str]:
    parts = []
    right = WIDTH - RIGHT
    below = -1e9
    lowest = HEIGHT - BOTTOM - LABEL_STEP * (len(lines) - 1)
    for at, level in enumerate(sorted(lines, key=lambda each: -each.rate)):
        y = scale.y(level.rate)
        label_y = max(min(y + 4, lowest + LABEL_STEP * at), below + LABEL_STEP)
        below = label_y
        parts.append(line(LEFT, y, right, y, colour=level.colour, weight=level.weight, dash=level.dash))
        parts.append(line(right, y, right + 12, label_y - 4, colour=level.colour, weight=1))
        parts.append(text(right + 16, label_y, level.label, colour=level.colour, weight="bold"))
    return parts
