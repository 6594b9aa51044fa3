"""Reads tables of a role or format file and gathers every fault, with its line, before any is raised.

TOML's own parser gives values without positions, so a light scan of the same text finds the line a key
stands on. The scan only ever serves error messages: what is accepted is decided by `tomllib` alone.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from math import isfinite
from typing import Any

KeyPath = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"^\s*((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|\"[^\"]*\"))*)\s*="
)
_PART = re.compile(r"\"([^\"]*)\"|'([^']*)'|([A-Za-z0-9_-]+)")


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One mistake in a definition: where it stands and what would be right."""

    line: int | None
    key: str
    sentence: str

    def __str__(self) -> str:
        """Give the fault as one line of text."""
        where = f"line {self.line}, " if self.line is not None else ""
        return f"{where}{self.key}: {self.sentence}"


class DefinitionError(ValueError):
    """A role or format file that cannot be used; it carries every fault found, not the first alone."""

    def __init__(self, what: str, faults: Sequence[Fault]) -> None:
        self.what = what
        self.faults = tuple(faults)
        count = "1 mistake" if len(self.faults) == 1 else f"{len(self.faults)} mistakes"
        super().__init__("\n".join([f"{what} has {count}; nothing of it was taken:", *map(str, self.faults)]))


@dataclass(kw_only=True)
class Definition:
    """A parsed text, the lines its keys stand on, and the faults found so far."""

    what: str
    values: Mapping[str, Any]
    lines: Mapping[KeyPath, int] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def line_of(self, path: KeyPath) -> int | None:
        """Give the line of a key [1], or of the nearest table around it."""
        while path:
            if path in self.lines:
                return self.lines[path]
            path = path[:-1]
        return None

    def fault(self, path: KeyPath, sentence: str) -> None:
        """Note a mistake at a key."""
        found = Fault(line=self.line_of(path), key=_spoken(path), sentence=sentence)
        if found not in self.faults:
            self.faults.append(found)

    def raise_faults(self) -> None:
        """End the reading.

        Raises:
            DefinitionError: Where any fault was noted; in the order of the lines.
        """
        if self.faults:
            raise DefinitionError(self.what, sorted(self.faults, key=lambda each: each.line or 0))


def read_definition(text: str, *, what: str) -> Definition:
    """Parse a TOML text.

    Args:
        text: The file's content.
        what: How to call it in a message, such as `formats.toml`.

    Returns:
        The values with the lines of their keys.

    Raises:
        DefinitionError: If the text is no TOML; the parser's own message names line and column.
    """
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"at line (\d+)", str(error))
        line = int(found[1]) if found else None
        fault = Fault(line=line, key="(the file)", sentence=f"is not TOML: {error}.")
        raise DefinitionError(what, [fault]) from error
    return Definition(what=what, values=values, lines=_lines_of(text))


class Table:
    """One table of a definition; each getter notes a fault and gives a harmless stand-in where it must."""

    def __init__(self, definition: Definition, path: KeyPath, values: Mapping[str, Any]) -> None:
        self.definition = definition
        self.path = path
        self._values = values
        self._asked: set[str] = set()

    def __contains__(self, key: str) -> bool:
        """Tell whether the key is given."""
        return key in self._values

    def fault(self, key: str, sentence: str) -> None:
        """Note a mistake at one of this table's keys."""
        self.definition.fault((*self.path, key), sentence)

    def raw(self, key: str) -> Any:
        """Give a value as parsed, None if absent; the key counts as known."""
        self._asked.add(key)
        return self._values.get(key)

    def text(self, key: str, *, default: str | None = None) -> str:
        """Give a text; required unless a default is given."""
        value = self.raw(key)
        if value is None and default is not None:
            return default
        if isinstance(value, str) and value.strip():
            return value.strip()
        self._wrong(key, value, "a text in quotes")
        return "?"

    def number(
        self,
        key: str,
        *,
        default: float | None = None,
        above: float | None = None,
        least: float | None = None,
        most: float | None = None,
    ) -> float:
        """Give a finite number within its bounds; required unless a default is given."""
        value = self.raw(key)
        if value is None and default is not None:
            return default
        legal = _bounds(above=above, least=least, most=most)
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            self._wrong(key, value, f"a number {legal}".strip())
            return default if default is not None else 1.0
        low = (above is not None and value <= above) or (least is not None and value < least)
        if low or (most is not None and value > most):
            self._wrong(key, value, f"a number {legal}")
        return float(value)

    def optional_number(
        self, key: str, *, above: float | None = None, least: float | None = None, most: float | None = None
    ) -> float | None:
        """Give a number within its bounds, or None if the key is absent."""
        if key not in self:
            self._asked.add(key)
            return None
        return self.number(key, above=above, least=least, most=most)

    def whole(self, key: str, *, default: int | None = None, least: int = 1, most: int = 10**15) -> int:
        """Give a whole number within its bounds; required unless a default is given."""
        value = self.raw(key)
        if value is None and default is not None:
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self._wrong(key, value, f"a whole number of {least} to {most}")
            return least
        return value

    def flag(self, key: str, *, default: bool) -> bool:
        """Give true or false."""
        value = self.raw(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self._wrong(key, value, "true or false")
            return default
        return value

    def choice(self, key: str, legal: Iterable[str], *, default: str | None = None) -> str:
        """Give one of a closed set of words; required unless a default is given."""
        words = list(legal)
        value = self.raw(key)
        if value is None and default is not None:
            return default
        if value not in words:
            self._wrong(key, value, f"one of {_listed(words)}{_close(value, words)}")
            return default if default is not None else words[0]
        return str(value)

    def items(self, key: str, *, kind: type, default: Sequence[Any] | None = None) -> list[Any]:
        """Give a list whose members are all of one kind; required unless a default is given."""
        value = self.raw(key)
        if value is None and default is not None:
            return list(default)
        word = {str: "texts", int: "whole numbers", float: "numbers"}[kind]
        accepted = (int, float) if kind is float else kind
        if not isinstance(value, list) or not all(isinstance(each, accepted) for each in value) or not value:
            self._wrong(key, value, f"a list of {word}")
            return []
        return value

    def table(self, key: str) -> "Table | None":
        """Give a table inside this one, or None if absent."""
        value = self.raw(key)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            self._wrong(key, value, "a table")
            return None
        return Table(self.definition, (*self.path, key), value)

    def tables(self, key: str) -> "list[Table]":
        """Give the tables of a list of tables, none if absent."""
        value = self.raw(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(each, Mapping) for each in value):
            self._wrong(key, value, f"a list of tables, each begun by [[{key}]]")
            return []
        return [Table(self.definition, (*self.path, key, at), each) for at, each in enumerate(value)]

    def names(self) -> list[str]:
        """Give the keys of this table."""
        return list(self._values)

    def refuse_unknown_keys(self) -> None:
        """Note a fault for every key that was never asked for: a misspelt key must not pass in silence."""
        for key in self._values:
            if key not in self._asked:
                legal = sorted(self._asked)
                self.fault(key, f"is not known here; known are {_listed(legal)}{_close(key, legal)}.")

    def _wrong(self, key: str, value: Any, legal: str) -> None:
        found = "is missing" if value is None else f"is {value!r}"
        self.fault(key, f"{found}; it must be {legal}.")


def _bounds(*, above: float | None, least: float | None, most: float | None) -> str:
    """Put a number's bounds into words."""
    low = f"above {above:g}" if above is not None else f"of at least {least:g}" if least is not None else ""
    high = f"at most {most:g}" if most is not None else ""
    return " and ".join(part for part in (low, high) if part)


def _listed(words: Sequence[str]) -> str:
    """List words for a sentence."""
    return ", ".join(words)


def _close(value: Any, words: Sequence[str]) -> str:
    """Name the word that was probably meant."""
    near = get_close_matches(str(value), words, n=1)
    return f" (did you mean {near[0]}?)" if near else ""


def _spoken(path: KeyPath) -> str:
    """Write a key's path as a person would: `role 2, headroom`."""
    words: list[str] = []
    for part in path:
        if isinstance(part, int):
            words[-1] += f" {part + 1}"
        else:
            words.append(part)
    return ", ".join(words)


def _parts(text: str) -> tuple[str, ...]:
    """Split a dotted key into its names."""
    return tuple(next(filter(None, found.groups()), "") for found in _PART.finditer(text))


def _lines_of(text: str) -> dict[KeyPath, int]:
    """Find the line each key and table header of a valid TOML text stands on."""
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    here: KeyPath = ()
    open_quotes: str | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        if open_quotes is not None:
            if open_quotes in line:
                open_quotes = None
            continue
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            here = _with_indices(_parts(header[2]), counts, opens_item=header[1] == "[[")
            lines.setdefault(here, number)
        elif key:
            lines.setdefault((*here, *_parts(key[1])), number)
        for quotes in ('"""', "'''"):
            if line.count(quotes) % 2:
                open_quotes = quotes
    return lines


def _with_indices(names: tuple[str, ...], counts: dict[KeyPath, int], *, opens_item: bool) -> KeyPath:
    """Give a header's path with the index of each list of tables it lies in."""
    path: KeyPath = ()
    for at, name in enumerate(names):
        path = (*path, name)
        if opens_item and at == len(names) - 1:
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = (*path, counts[path] - 1)
    return path
