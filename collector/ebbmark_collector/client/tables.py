"""Tables that fit the terminal: columns as wide as they need, the roomiest cut until the line fits."""

import shutil
import textwrap
import unicodedata
from collections.abc import Iterable, Sequence

from ebbmark_collector.client.words import plain

_GAP = 2  # [1] blanks between columns
_LEAST = 4  # [1] no column is cut narrower
_FAIR = 9  # [1] the first column is whole until the others are as narrow


def line_width() -> int:
    """Give how many characters a line may hold; 80 where nobody says."""
    return max(40, min(200, shutil.get_terminal_size((80, 24)).columns))


def width_of(text: str) -> int:
    """Give how many cells a text takes in a terminal."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )


def cut(text: str, width: int) -> str:
    """Cut a text to so many cells, an ellipsis in the place of what is gone."""
    if width_of(text) <= width:
        return text
    kept = ""
    for character in text:
        if width_of(kept + character) > width - 1:
            break
        kept += character
    return f"{kept.rstrip()}…"


def _wrap(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width) or [""]


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    right: Sequence[str] = (),
    wrapped: str | None = None,
    width: int = 80,
) -> str:
    """Lay rows out in columns.

    Args:
        head: The columns' names.
        rows: Cells, as many in each row as there are columns; None is unknown.
        right: Names of the columns set to the right, as figures are.
        wrapped: Name of the column that goes on in further lines instead of being cut.
        width: The most characters of a line [1].
    """
    cells = [[plain(cell) for cell in row] for row in rows]
    widths = [
        max(width_of(name), *(width_of(row[i]) for row in cells)) if cells else width_of(name)
        for i, name in enumerate(head)
    ]
    while sum(widths) + _GAP * (len(widths) - 1) > width and max(widths) > _LEAST:
        # The first column is how people call the thing: it gives way last.
        others = widths[1:] if len(widths) > 1 and max(widths[1:]) > _FAIR else widths
        widths[len(widths) - len(others) + others.index(max(others))] -= 1
    lines = []
    for row in (list(head), *cells):
        columns = [
            _wrap(cell, room) if name == wrapped else [cut(cell, room)]
            for name, cell, room in zip(head, row, widths, strict=True)
        ]
        for number in range(max(len(column) for column in columns)):
            shown = [column[number] if number < len(column) else "" for column in columns]
            line = [
                _set(text, room, name in right) for name, text, room in zip(head, shown, widths, strict=True)
            ]
            lines.append((" " * _GAP).join(line).rstrip())
    return "\n".join(lines)


def _set(text: str, room: int, to_the_right: bool) -> str:
    blanks = " " * (room - width_of(text))
    return blanks + text if to_the_right else text + blanks


def facts(pairs: Iterable[tuple[str, object]], *, width: int = 80) -> str:
    """Lay named facts out, one a line, those without a value left out."""
    known = [(name, plain(value)) for name, value in pairs if value is not None]
    room = max((len(name) for name, _ in known), default=0)
    lines = []
    for name, value in known:
        wrapped = textwrap.wrap(value, max(20, width - room - _GAP)) or [""]
        lines.append(f"{name:<{room}}{' ' * _GAP}{wrapped[0]}")
        lines += [" " * (room + _GAP) + more for more in wrapped[1:]]
    return "\n".join(lines)


def paragraph(text: str, *, width: int = 80) -> str:
    """Lay one text out over as many lines as it needs."""
    return textwrap.fill(plain(text), width)


def sentences(texts: Iterable[str], *, width: int = 80) -> str:
    """Lay sentences out, each begun with a mark."""
    return "\n".join(
        textwrap.fill(plain(text), width, initial_indent="- ", subsequent_indent="  ") for text in texts
    )
