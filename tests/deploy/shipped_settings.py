"""Reads a settings file as shipped: which keys it names, with which values, and which it calls not set."""

import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

_KEY = re.compile(r"^# (?P<key>[a-z_]+) = (?P<value>.+?)\s+# (?P<says>.+)$")
_TABLE = re.compile(r"^(?:# )?\[+(?P<table>[a-z_.]+)\]+")


@dataclass
class Table:
    """One table of the file: each key's value, and the keys without a default."""

    values: dict[str, Any] = field(default_factory=dict)
    without_default: set[str] = field(default_factory=set)
    says: dict[str, str] = field(default_factory=dict)


def read_shipped(path: Path) -> dict[str, Table]:
    """Give the tables of a shipped settings file by name; the keys before the first table under ''."""
    tables: dict[str, Table] = {"": Table()}
    current = tables[""]
    for line in path.read_text(encoding="utf-8").splitlines():
        if found := _TABLE.match(line):
            current = tables.setdefault(found["table"], Table())
        elif found := _KEY.match(line):
            key = found["key"]
            current.values[key] = tomllib.loads(f"value = {found['value']}")["value"]
            current.says[key] = found["says"]
            if "Not set" in found["says"] or "Required" in found["says"]:
                current.without_default.add(key)
    return tables


def uncommented(path: Path) -> str:
    """Give the file with every key taken into use."""
    lines = path.read_text(encoding="utf-8").splitlines()
    in_use = (line.removeprefix("# ") if _KEY.match(line) or _TABLE.match(line) else line for line in lines)
    return "\n".join(in_use) + "\n"
