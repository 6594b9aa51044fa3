"""Typed looks into smartctl's JSON: a value is there in the expected type, or it is None."""

import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

_LEADING_NUMBER = re.compile(r"\s*(-?\d+)")


def leading_number(text: str) -> int | None:
    """Give the whole number a text begins with, such as 31 of `31 (Min/Max 28/44)`."""
    found = _LEADING_NUMBER.match(text)
    return int(found.group(1)) if found else None


@dataclass(frozen=True, kw_only=True)
class Document:
    """One JSON object from outside; nothing else in this package touches its dictionaries."""

    raw: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def parse(cls, text: str) -> "Document | None":
        """Read JSON text.

        Returns:
            The document, or None if the text is no JSON object.
        """
        try:
            read = json.loads(text)
        except ValueError:
            return None
        return cls(raw=read) if isinstance(read, dict) else None

    def _at(self, keys: tuple[str, ...]) -> Any:
        value: Any = self.raw
        for key in keys:
            if not isinstance(value, Mapping):
                return None
            value = value.get(key)
        return value

    def has(self, *keys: str) -> bool:
        """Tell whether there is anything under these keys."""
        return self._at(keys) is not None

    def part(self, *keys: str) -> "Document":
        """Give the object under these keys, an empty one where there is none."""
        value = self._at(keys)
        return Document(raw=value if isinstance(value, Mapping) else {})

    def rows(self, *keys: str) -> Iterator["Document"]:
        """Give the objects of the list under these keys."""
        value = self._at(keys)
        for item in value if isinstance(value, list) else ():
            if isinstance(item, Mapping):
                yield Document(raw=item)

    def number(self, *keys: str) -> int | None:
        """Give a whole number.

        Numbers wider than a double holds exactly come a second time as text under `KEY_s`: that is taken.
        """
        exact = self._at((*keys[:-1], f"{keys[-1]}_s"))
        if isinstance(exact, str) and exact.isdecimal():
            return int(exact)
        value = self._at(keys)
        return value if isinstance(value, int) and not isinstance(value, bool) else None

    def decimal(self, *keys: str) -> float | None:
        """Give a number that may have a fraction, or may be written as text."""
        value = self._at(keys)
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            return None
        try:
            found = float(value)
        except (OverflowError, ValueError):
            return None
        return found if math.isfinite(found) else None

    def flag(self, *keys: str) -> bool | None:
        """Give a truth value."""
        value = self._at(keys)
        return value if isinstance(value, bool) else None

    def text(self, *keys: str) -> str | None:
        """Give a text without blanks around it, None if it is empty; what is no character is replaced."""
        value = self._at(keys)
        return (_sendable(value).strip() or None) if isinstance(value, str) else None

    def numbers(self, *keys: str) -> tuple[tuple[int, int], ...]:
        """Give the whole numbers of a list with their places in it."""
        value = self._at(keys)
        items = value if isinstance(value, list) else []
        return tuple(
            (place, item)
            for place, item in enumerate(items)
            if isinstance(item, int) and not isinstance(item, bool)
        )

    def lines(self, *keys: str) -> tuple[str, ...]:
        """Give the texts of a list."""
        value = self._at(keys)
        items = value if isinstance(value, list) else []
        return tuple(_sendable(item) for item in items if isinstance(item, str))


def _sendable(text: str) -> str:
    return text.encode("utf-8", errors="replace").decode("utf-8")
