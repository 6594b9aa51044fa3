"""Reads a page: the commands a reader would type, what is shown to come of them, the files a reader writes.

A block marked `console` is typed line by line. A line that begins with `$ ` is a command, carried on by a
backslash at its end; what follows is its output, in which `...` stands for anything. `# ends with N` says its
exit code where that is not 0. A block marked `console elsewhere` needs minutes, root or a service manager and
runs elsewhere. A block marked `toml NAME` or `json NAME` is a file of that name in the reader's folder.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGES = (ROOT / "README.md", ROOT / "SECURITY.md", *sorted((ROOT / "docs").glob("*.md")))

_BLOCK = re.compile(r"^```(?P<marks>[^\n`]*)\n(?P<body>.*?)^```$", re.MULTILINE | re.DOTALL)
_ENDS_WITH = re.compile(r"\s+# ends with (\d+)$")


@dataclass(frozen=True, kw_only=True)
class Typed:
    """A command as it stands on a page, what is shown after it, and how it ends."""

    command: str
    shown: str = ""
    exit_code: int = 0


@dataclass(frozen=True, kw_only=True)
class Written:
    """A file a reader writes."""

    name: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Block:
    """A fenced block: its marks and its body."""

    marks: tuple[str, ...]
    body: str


def blocks(page: Path) -> Iterator[Block]:
    """Give a page's fenced blocks in order."""
    for found in _BLOCK.finditer(page.read_text(encoding="utf-8")):
        yield Block(marks=tuple(found["marks"].split()), body=found["body"])


def steps(page: Path) -> Iterator[Typed | Written]:
    """Give what a reader does here, in order."""
    for block in blocks(page):
        if block.marks == ("console",):
            yield from typed(block.body)
        elif len(block.marks) == 2 and block.marks[0] in {"toml", "json"}:
            yield Written(name=block.marks[1], text=block.body)


def run_elsewhere(page: Path) -> Iterator[str]:
    """Give the commands that need root or a service manager."""
    for block in blocks(page):
        if block.marks == ("console", "elsewhere"):
            yield from (one.command for one in typed(block.body))


def typed(body: str) -> Iterator[Typed]:
    """Read commands and what is shown after each."""
    command: list[str] = []
    shown: list[str] = []
    going_on = False
    for line in body.splitlines():
        if going_on:
            command.append(line)
        elif line.startswith("$ "):
            if command:
                yield _typed(command, shown)
            command, shown = [line[2:]], []
        else:
            shown.append(line)
            continue
        going_on = line.endswith("\\")
    if command:
        yield _typed(command, shown)


def _typed(command: list[str], shown: list[str]) -> Typed:
    text = "\n".join(command)
    ends = _ENDS_WITH.search(text)
    return Typed(
        command=_ENDS_WITH.sub("", text), shown="\n".join(shown), exit_code=int(ends[1]) if ends else 0
    )


def is_shown(shown: str, said: str) -> bool:
    """Tell whether output is what a page shows: `...` stands for anything, or for nothing."""
    if not shown.strip():
        return True
    words = [r"\s+".join(re.escape(word) for word in part.split()) for part in shown.split("...")]
    return re.search(r"\s*.*?\s*".join(words), said, re.DOTALL) is not None
