"""A strict reader of the OpenMetrics 1.0 text form, so that a test notices what a lenient scraper would bear.

Source: OpenMetrics 1.0 specification, sections "Text format" and "ABNF" (the ABNF is from memory).
"""

import re
from dataclasses import dataclass, field

_NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
_LABEL = re.compile(r'([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\\n]|\\[\\"n])*)"')
_SAMPLE = re.compile(rf"^({_NAME})(?:\{{(.*)\}})? (\S+)(?: (\S+))?$")
_ESCAPED = {"\\\\": "\\", '\\"': '"', "\\n": "\n"}
_SUFFIXES = {
    "gauge": {""},
    "counter": {"_total", "_created"},
    "info": {"_info"},
    "unknown": {""},
}


@dataclass
class Family:
    """One metric family with its samples: (labels, value)."""

    name: str
    kind: str = "unknown"
    unit: str = ""
    help_text: str | None = None
    samples: list[tuple[dict[str, str], float]] = field(default_factory=list)


def read_openmetrics(text: str) -> dict[str, Family]:
    """Read a whole exposition.

    Raises:
        ValueError: the first line that is not of the form, with its number and why.
    """
    if not text.endswith("# EOF\n"):
        raise ValueError("the exposition must end with `# EOF` and one line feed")
    families: dict[str, Family] = {}
    current: Family | None = None
    seen: set[tuple[str, tuple[tuple[str, str], ...]]] = set()
    lines = text[: -len("# EOF\n")].splitlines()
    for number, line in enumerate(lines, start=1):
        try:
            if line.startswith("# "):
                current = _describe(line, families, current)
            else:
                _sample(line, current, seen)
        except ValueError as fault:
            raise ValueError(f"line {number} `{line}`: {fault}") from fault
    return families


def _describe(line: str, families: dict[str, Family], current: Family | None) -> Family:
    parts = line.split(" ", 3)
    if len(parts) < 3 or parts[1] not in {"TYPE", "UNIT", "HELP"}:
        raise ValueError("only TYPE, UNIT and HELP lines begin with `# `")
    word, name, rest = parts[1], parts[2], parts[3] if len(parts) == 4 else ""
    if current is None or current.name != name:
        if name in families:
            raise ValueError("a family's lines must stand together")
        if re.fullmatch(_NAME, name) is None:
            raise ValueError("this is no metric name")
        current = families[name] = Family(name)
    if current.samples:
        raise ValueError("a description must stand before its samples")
    if word == "TYPE":
        if rest not in _SUFFIXES:
            raise ValueError(f"type `{rest}` is not one this reader knows: {', '.join(_SUFFIXES)}")
        current.kind = rest
    elif word == "UNIT":
        if rest and not name.endswith(f"_{rest}"):
            raise ValueError("a unit must be the end of the name")
        current.unit = rest
    else:
        current.help_text = rest
    return current


def _sample(line: str, current: Family | None, seen: set[tuple[str, tuple[tuple[str, str], ...]]]) -> None:
    match = _SAMPLE.match(line)
    if match is None:
        raise ValueError("this is no sample")
    name, inside, value, _stamp = match.groups()
    if current is None or not name.startswith(current.name):
        raise ValueError("a sample must stand under its family")
    if name[len(current.name) :] not in _SUFFIXES[current.kind]:
        raise ValueError(f"a {current.kind} has no sample of this name")
    labels = _labels(inside or "")
    key = (name, tuple(sorted(labels.items())))
    if key in seen:
        raise ValueError("the same sample stands here twice")
    seen.add(key)
    number = float(value)
    if current.kind == "counter" and not number >= 0:
        raise ValueError("a counter is never negative nor NaN")
    current.samples.append((labels, number))


def _labels(inside: str) -> dict[str, str]:
    labels: dict[str, str] = {}
    rest = inside
    while rest:
        match = _LABEL.match(rest)
        if match is None:
            raise ValueError("these are no labels")
        name, value = match.groups()
        if name in labels:
            raise ValueError(f"the label {name} stands twice")
        labels[name] = re.sub(r"\\[\\\"n]", lambda found: _ESCAPED[found.group()], value)
        rest = rest[match.end() :]
        if rest:
            if not rest.startswith(","):
                raise ValueError("labels are parted by commas")
            rest = rest[1:]
    return labels
