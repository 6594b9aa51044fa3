"""Draws a probe in characters: rate over bytes written, with the line of what was asked."""

from collections.abc import Sequence

from ebbmark_agent.evidence.rate_columns import RateColumn, rate_columns
from ebbmark_agent.evidence.spoken import spoken_bytes, spoken_rate
from ebbmark_agent.evidence.standing import Fit
from ebbmark_agent.evidence.trace import Trace

_AXIS_WIDTH = 7
_SOLID, _SOMETIMES, _ASKED = ("█", "░", "─")
_PLAIN_SOLID, _PLAIN_SOMETIMES, _PLAIN_ASKED = ("#", ":", "-")


def terminal_chart(
    segments: Sequence[Trace],
    *,
    judged: Fit | None = None,
    width: int = 72,
    height: int = 12,
    plain: bool = False,
    moved: str = "written",
) -> str:
    """Draw a probe in characters.

    Args:
        segments: Its traces, laid end to end by bytes.
        judged: The judgement, for the line of what was asked; None leaves it out.
        width: Characters a line, at least 30 [1].
        height: Lines of the drawing, at least 4 [1].
        plain: Use characters of ASCII alone.
        moved: What was done with the bytes: written, or read.

    Returns:
        The drawing without a trailing line end. A cell is solid where the drive never was slower, dotted
        where it was only sometimes as fast; a gap under the line is footage at risk.

    Raises:
        ValueError: If there is nothing to draw, or no room for it.
    """
    if width < 30 or height < 4:
        raise ValueError(f"a drawing needs at least 30 x 4 characters, not {width} x {height}")
    columns = rate_columns(segments, width - _AXIS_WIDTH - 2)
    asked = judged.demand.demand_bytes_per_s if judged else None
    top = max([each.fastest_bytes_per_s for each in columns] + ([asked] if asked else [])) * 1.02
    marks = (_PLAIN_SOLID, _PLAIN_SOMETIMES, _PLAIN_ASKED) if plain else (_SOLID, _SOMETIMES, _ASKED)
    asked_row = None if asked is None else min(height - 1, int(asked / top * height))
    lines = ["MB/s".rjust(_AXIS_WIDTH)]
    for row in range(height - 1, -1, -1):
        on_line = row == asked_row and asked is not None
        level = asked if on_line and asked is not None else (row + 0.5) / height * top
        cells = "".join(_cell(each, level, marks, on_line=on_line) for each in columns)
        shown = level if on_line or _labelled(row, height, asked_row) else None
        label = "" if shown is None else f"{shown / 1e6:.0f}"
        lines.append(f"{label.rjust(_AXIS_WIDTH)} {_axis(plain, on_line=on_line)}{cells}".rstrip())
    lines.append(_foot(columns, plain, moved))
    if judged is not None and asked is not None:
        lines.append(
            f"{' ' * (_AXIS_WIDTH + 2)}{marks[2] * 3} asked {spoken_rate(asked)}{_floor_words(judged)}"
        )
    return "\n".join(lines)


def _labelled(row: int, height: int, asked_row: int | None) -> bool:
    """Label every third row and the top one, but none beside the line of what was asked."""
    beside = asked_row is not None and abs(row - asked_row) <= 1
    return not beside and (row % 3 == 0 or row == height - 1)


def _axis(plain: bool, *, on_line: bool) -> str:
    if plain:
        return "+" if on_line else "|"
    return "┼" if on_line else "│"


def _cell(column: RateColumn, level: float, marks: tuple[str, str, str], *, on_line: bool) -> str:
    if column.slowest_bytes_per_s >= level:
        return marks[0]
    if on_line:
        return marks[2]
    return marks[1] if column.fastest_bytes_per_s >= level else " "


def _foot(columns: Sequence[RateColumn], plain: bool, moved: str) -> str:
    total = spoken_bytes(columns[-1].end_byte)
    rule = ("-" if plain else "─") * len(columns)
    corner = "+" if plain else "└"
    words = f"0{f'{total} {moved}'.rjust(len(columns) - 1)}"
    return f"{' ' * (_AXIS_WIDTH + 1)}{corner}{rule}\n{' ' * (_AXIS_WIDTH + 2)}{words}"


def _floor_words(judged: Fit) -> str:
    return "" if judged.floor_bytes_per_s is None else f", floor {spoken_rate(judged.floor_bytes_per_s)}"
