"""Folds lines that are wider than the terminal, under the place where their text begins."""

import re
import shutil
import sys
import textwrap

LEAST_WIDTH = 40  # [1] columns; a narrower terminal gets lines that it breaks itself
_LABELLED = re.compile(r"  (?:\S+ )*\S+ {2,}(?=\S)")  # two blanks, a label, and what pads it


def for_terminal(text: str) -> str:
    """Fold text to the terminal's width where standard output is one; elsewhere a line stays a line."""
    if not sys.stdout.isatty():
        return text
    return folded(text, width=shutil.get_terminal_size().columns)


def folded(text: str, *, width: int) -> str:
    """Fold each line that is too wide.

    Args:
        text: The lines.
        width: The most characters a line may have [1].

    Returns:
        The same words; what is folded begins under the text of its line, past a label where there is one.
    """
    if width < LEAST_WIDTH:
        return text
    return "\n".join(_folded_line(line, width) for line in text.split("\n"))


def _folded_line(line: str, width: int) -> str:
    if len(line) <= width:
        return line
    label = _LABELLED.match(line) if line.startswith("  ") else None
    indent = label.end() if label else len(line) - len(line.lstrip()) + 2
    return "\n".join(
        textwrap.wrap(
            line,
            width,
            subsequent_indent=" " * indent,
            break_long_words=False,
            break_on_hyphens=False,
            drop_whitespace=True,
        )
    )
