"""How the demonstration prints what the collector says: plain lines, worst first."""

import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

WIDTH = 100


def heading(text: str) -> None:
    """Print a step's heading."""
    print(f"\n{text}", flush=True)


def line(text: str = "") -> None:
    """Print a line of a step, folded to the width."""
    _fold(text, "  ", "  ")


def _fold(text: str, first: str, further: str) -> None:
    folded = textwrap.fill(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=further,
        break_on_hyphens=False,
        break_long_words=False,
    )
    print(folded, flush=True)


def as_typed(text: str) -> None:
    """Print a command exactly as it is typed."""
    print(f"  {text}", flush=True)


def rate(value: float | None) -> str:
    """Give a rate in MB/s for people."""
    return "-" if value is None else f"{value / 1e6:.0f} MB/s"


def fleet(drives: Iterable[dict[str, Any]]) -> None:
    """Print drives as a table."""
    rows = [("drive", "on", "role", "standing", "floor", "demand", "alerts")]
    rows += [
        (
            drive["asset_tag"] or drive["label"] or drive["model"] or drive["drive_id"][-8:],
            drive["host_name"] or "-",
            drive["role"] or "none",
            drive["standing"],
            rate(drive["floor_bytes_per_s"]),
            rate(drive["demand_bytes_per_s"]),
            str(drive["open_alerts"]),
        )
        for drive in drives
    ]
    table(rows)


def table(rows: Sequence[Sequence[str]]) -> None:
    """Print rows in columns as wide as they need, the first one being the heads."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        print("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def alert(found: dict[str, Any]) -> None:
    """Print one alert: what, why, what to do."""
    act_by = f", act by {found['act_by'][:10]}" if found.get("act_by") else ""
    raised = (found.get("raised_at") or "")[:16].replace("T", " ")
    line(f"{found['severity']}, raised {raised}{act_by}: {found['headline']}")
    reasons = [row.strip() for reason in found.get("why") or () for row in reason.splitlines()]
    for reason in reasons:
        _fold(reason, "    why: ", " " * 9)
    if found.get("next_step"):
        _fold(found["next_step"], "    do:  ", " " * 9)
