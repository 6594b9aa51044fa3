"""The strokes and words that every picture here is made of, as SVG elements, and its tones."""

from xml.sax.saxutils import escape

INK, MID, PALE, PAPER = "#111111", "#5f5f5f", "#c9c9c9", "#ffffff"


def line(
    x1: float, y1: float, x2: float, y2: float, *, colour: str, weight: float = 1.0, dash: str = ""
) -> str:
    """Draw a straight line [px]; `dash` as SVG has it, lengths of strokes and gaps."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" '
        f'stroke-width="{weight:g}"{dashed}/>'
    )


def text(
    x: float,
    y: float,
    words: str,
    *,
    size: int = 13,
    colour: str = INK,
    anchor: str = "start",
    weight: str = "normal",
    halo: bool = False,
) -> str:
    """Set words at a point [px]; with `halo` they stay readable where lines cross them."""
    outline = f' paint-order="stroke" stroke="{PAPER}" stroke-width="4"' if halo else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" font-weight="{weight}" fill="{colour}" '
        f'text-anchor="{anchor}"{outline}>{escape(words)}</text>'
    )
