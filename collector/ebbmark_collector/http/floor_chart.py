"""Draws a drive's floor over months as SVG: soaks, spots, what is asked, and the outlook to where it crosses.

Told by shape, dash and words as well as by tone, so it reads in grey. Pure: values in, text out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from xml.sax.saxutils import escape

from ebbmark_agent.evidence.drawing import INK, MID, PALE, PAPER, line, text

WIDTH, HEIGHT = 960, 400  # [px]
LEFT, RIGHT, TOP, BOTTOM = 76, 190, 72, 52  # [px]
HEADROOM_SHARE = 1.12  # [1] empty space above the highest point
_DAY_S = 86_400.0


@dataclass(frozen=True, kw_only=True)
class FloorPoint:
    """One probe's floor [bytes/s]."""

    at: datetime
    floor_bytes_per_s: float
    is_soak: bool


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """When the floor is foreseen to meet what is asked; `earliest` is where the interval begins to."""

    earliest: datetime | None
    likely: datetime
    from_bytes_per_s: float
    to_bytes_per_s: float


@dataclass(frozen=True, kw_only=True)
class _Scale:
    start: datetime
    days: float
    top: float

    def x(self, at: datetime) -> float:
        days = (at - self.start).total_seconds() / _DAY_S
        return LEFT + (WIDTH - LEFT - RIGHT) * min(1.0, max(0.0, days / self.days))

    def y(self, rate: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * min(1.0, rate / self.top)


def draw(
    points: Sequence[FloorPoint],
    *,
    title: str,
    now: datetime,
    demand_bytes_per_s: float | None = None,
    crossing: Crossing | None = None,
) -> str:
    """Draw a drive's floor over time.

    Args:
        points: Its probes, oldest first; at least one.
        title: The drive in words.
        now: Today, marked.
        demand_bytes_per_s: What is asked [bytes/s].
        crossing: The outlook, where there is a date.

    Returns:
        An SVG document.
    """
    shown_until = min(crossing.likely, now + timedelta(days=365)) if crossing else now
    end = max(shown_until, now, points[-1].at) + timedelta(days=1)
    start = points[0].at - timedelta(days=1)
    highest = max([p.floor_bytes_per_s for p in points] + [demand_bytes_per_s or 0.0])
    scale = _Scale(
        start=start,
        days=max(1.0, (end - start).total_seconds() / _DAY_S),
        top=highest * HEADROOM_SHARE or 1.0,
    )
    told = _told(points, demand_bytes_per_s, crossing)
    body = [
        *_axes(scale, start, end),
        *_now(scale, now),
        *_spots(scale, [p for p in points if not p.is_soak]),
        *_outlook(scale, crossing, now),
        *_soaks(scale, [p for p in points if p.is_soak]),
        *_demand(scale, demand_bytes_per_s),
        text(LEFT, 26, title, size=17, weight="bold"),
        text(LEFT, 46, told, colour=MID),
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
        f'height="{HEIGHT}" role="img" aria-labelledby="floor-title floor-description" '
        'font-family="DejaVu Sans, Liberation Sans, Arial, sans-serif">\n'
        f'<title id="floor-title">{escape(title)}</title>\n'
        f'<desc id="floor-description">{escape(told)}</desc>\n'
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>\n' + "\n".join(body) + "\n</svg>\n"
    )


def _told(points: Sequence[FloorPoint], demand_bytes_per_s: float | None, crossing: Crossing | None) -> str:
    soaks = [p for p in points if p.is_soak]
    last = (soaks or list(points))[-1]
    kind = "soak" if last.is_soak else "spot"
    parts = [f"last {kind} {last.floor_bytes_per_s / 1e6:.0f} MB/s on {last.at:%Y-%m-%d}"]
    if demand_bytes_per_s:
        parts.append(f"{demand_bytes_per_s / 1e6:.0f} MB/s asked")
    if crossing is not None:
        likely = f"likely to cross by {crossing.likely:%Y-%m-%d}"
        parts.append(likely + (f", earliest {crossing.earliest:%Y-%m-%d}" if crossing.earliest else ""))
    return "; ".join(parts)


def _axes(scale: _Scale, start: datetime, end: datetime) -> list[str]:
    parts = []
    step = _round_step(scale.top / 1e6 / 5)
    rate = 0.0
    while rate * 1e6 <= scale.top:
        y = scale.y(rate * 1e6)
        parts.append(line(LEFT, y, WIDTH - RIGHT, y, colour=PALE if rate else INK))
        parts.append(text(LEFT - 8, y + 4, f"{rate:g}", anchor="end", size=12))
        rate += step
    days = (end - start).total_seconds() / _DAY_S
    every = next((n for n in (1, 7, 14, 30, 61, 91, 182) if days / n <= 8), 365)
    at = start.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    while at < end:
        x = scale.x(at)
        parts.append(line(x, HEIGHT - BOTTOM, x, HEIGHT - BOTTOM + 5, colour=INK))
        parts.append(text(x, HEIGHT - BOTTOM + 20, f"{at:%Y-%m-%d}", anchor="middle", size=11))
        at += timedelta(days=every)
    middle = (TOP + HEIGHT - BOTTOM) / 2
    parts.append(
        f'<text x="20" y="{middle:.1f}" font-size="13" fill="{INK}" text-anchor="middle" '
        f'transform="rotate(-90 20 {middle:.1f})">floor, MB/s</text>'
    )
    return parts


def _round_step(rough: float) -> float:
    power = 1.0
    while power * 10 <= rough:
        power *= 10
    while power > rough:
        power /= 10
    return next(n * power for n in (1, 2, 5, 10) if n * power >= rough)


def _now(scale: _Scale, now: datetime) -> list[str]:
    x = scale.x(now)
    return [
        line(x, TOP, x, HEIGHT - BOTTOM, colour=MID, dash="1 4"),
        text(x - 5, TOP + 12, "now", colour=MID, size=11, anchor="end"),
    ]


def _spots(scale: _Scale, points: Sequence[FloorPoint]) -> list[str]:
    dots = [
        f'<circle cx="{scale.x(p.at):.1f}" cy="{scale.y(p.floor_bytes_per_s):.1f}" r="2" fill="none" '
        f'stroke="{MID}" stroke-width="0.9"/>'
        for p in points
    ]
    if points:
        x, y = WIDTH - RIGHT + 22, TOP + 10
        dots.append(f'<circle cx="{x}" cy="{y}" r="2.4" fill="none" stroke="{MID}"/>')
        dots.append(text(x + 10, y + 4, "spots (short)", colour=MID, size=12))
    return dots


def _soaks(scale: _Scale, points: Sequence[FloorPoint]) -> list[str]:
    if not points:
        return []
    path = " ".join(f"{scale.x(p.at):.1f},{scale.y(p.floor_bytes_per_s):.1f}" for p in points)
    parts = [f'<polyline points="{path}" fill="none" stroke="{INK}" stroke-width="1.4"/>']
    parts += [
        f'<rect x="{scale.x(p.at) - 4:.1f}" y="{scale.y(p.floor_bytes_per_s) - 4:.1f}" width="8" height="8" '
        f'fill="{INK}"/>'
        for p in points
    ]
    x, y = WIDTH - RIGHT + 18, TOP + 28
    parts.append(f'<rect x="{x}" y="{y - 4}" width="8" height="8" fill="{INK}"/>')
    parts.append(text(x + 14, y + 4, "soaks (proof)", size=12))
    return parts


def _demand(scale: _Scale, demand_bytes_per_s: float | None) -> list[str]:
    if not demand_bytes_per_s:
        return []
    y = scale.y(demand_bytes_per_s)
    return [
        line(LEFT, y, WIDTH - RIGHT, y, colour=INK, dash="8 4", weight=1.8),
        text(WIDTH - RIGHT + 16, y + 4, f"asked {demand_bytes_per_s / 1e6:.0f} MB/s", weight="bold"),
    ]


def _outlook(scale: _Scale, crossing: Crossing | None, now: datetime) -> list[str]:
    if crossing is None:
        return []
    x1, y1 = scale.x(now), scale.y(crossing.from_bytes_per_s)
    x2, y2 = scale.x(crossing.likely), scale.y(crossing.to_bytes_per_s)
    parts = []
    if crossing.earliest is not None:
        x0 = scale.x(max(crossing.earliest, now))
        parts.append(
            f'<polygon points="{x1:.1f},{y1:.1f} {x0:.1f},{y2:.1f} {x2:.1f},{y2:.1f}" '
            f'fill="{PALE}" opacity="0.6"/>'
        )
    parts.append(line(x1, y1, x2, y2, colour=INK, dash="3 3", weight=1.4))
    parts.append(
        text(min(x2, WIDTH - RIGHT) - 4, y2 + 18, f"{crossing.likely:%Y-%m-%d}", anchor="end", size=12)
    )
    return parts
