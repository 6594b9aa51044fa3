"""What a benchmark says: a value with its unit, its bar and how it was had; and the page made of it."""

import json
import re
import statistics
from collections.abc import Sequence
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent
JSON_FILE = FOLDER / "results.json"
PAGE_FILE = FOLDER / "RESULTS.md"
_BAR = re.compile(r"^(>=|<=|>|<)\s*([0-9.eE+-]+)")


def result(
    name: str, runs: Sequence[float], *, unit: str, bar: str | None, command: str, note: str = ""
) -> dict[str, Any]:
    """Make a result from the runs' figures: their median is the value, held against the bar.

    Args:
        name: `part.figure`, stable from run to run.
        runs: the figure of each run; at least one.
        unit: the unit of the figure; `ratio` for ratios.
        bar: direction and limit as in `>= 0.98`, or None where a figure is only shown.
        command: what repeats the measurement.
        note: what the figure is held against and what limits it.
    """
    value = statistics.median(runs)
    return {
        "name": name,
        "value": value,
        "unit": unit,
        "bar": bar,
        "held": None if bar is None else holds(value, bar),
        "runs": len(runs),
        "figures": [float(r) for r in runs],
        "command": command,
        "note": note,
    }


def holds(value: float, bar: str) -> bool:
    """Tell whether a value keeps to a bar such as `>= 0.98`.

    Raises:
        ValueError: the bar has no direction or no number.
    """
    match = _BAR.match(bar)
    if match is None:
        raise ValueError(f"a bar reads like `>= 0.98`, not `{bar}`")
    sign, limit = match.group(1), float(match.group(2))
    return {">=": value >= limit, "<=": value <= limit, ">": value > limit, "<": value < limit}[sign]


def merge(old: list[dict[str, Any]], new: list[dict[str, Any]], part: str) -> list[dict[str, Any]]:
    """Put a part's new results in the place of its old ones and keep the rest."""
    kept = [r for r in old if r["name"].split(".")[0] != part]
    return sorted([*kept, *new], key=lambda r: r["name"])


def read_results() -> list[dict[str, Any]]:
    """Read what earlier runs left; nothing is an empty list."""
    if not JSON_FILE.exists():
        return []
    found: list[dict[str, Any]] = json.loads(JSON_FILE.read_text())
    return found


def write_results(results: list[dict[str, Any]], *, machine: str, made: str) -> None:
    """Write the document and the readable page."""
    JSON_FILE.write_text(json.dumps(results, indent=1) + "\n")
    PAGE_FILE.write_text(page(results, machine=machine, made=made))


def page(results: list[dict[str, Any]], *, machine: str, made: str) -> str:
    """Render the results as a page for people."""
    lines = [
        "# What was measured",
        "",
        f"Written by `make bench`, not by hand. Machine: {machine}. Last run: {made}.",
        "Ratios are of two things measured in one run; absolute figures speak of this machine only.",
        "",
        "| figure | median | unit | bar | held | runs | spread |",
        "|---|---|---|---|---|---|---|",
    ]
    for r in results:
        figures = r.get("figures") or [r["value"]]
        spread = f"{min(figures):.4g} to {max(figures):.4g}"
        held = "" if r["held"] is None else ("yes" if r["held"] else "**no**")
        bar = r["bar"] or ""
        lines.append(
            f"| {r['name']} | {r['value']:.4g} | {r['unit']} | {bar} | {held} | {r['runs']} | {spread} |"
        )
    lines += ["", "## How each was had", ""]
    for r in results:
        note = f" {r['note']}" if r.get("note") else ""
        lines.append(f"- **{r['name']}**: `{r['command']}`.{note}")
    return "\n".join(lines) + "\n"
