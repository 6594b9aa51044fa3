"""Shows on stderr how far a probe is, with click's own progress bar."""

import shutil
import sys
from typing import Any

import click

from ebbmark_agent.probe import Phase, Progress

BAR_WIDTH = 14  # [1] characters
BESIDE = 13 + BAR_WIDTH + 2 + 2 + 4 + 2 + 8 + 2 + 1  # [1] label, bar and its ends, share, time, gaps between
_LABELS = {
    Phase.LAYING_OUT: "laying out",
    Phase.WRITING: "writing",
    Phase.PAUSED_FOR_HEAT: "cooling down",
    Phase.READING_BACK: "reading back",
    Phase.TIDYING: "tidying up",
}


class ProbeBar:
    """One bar a phase; silent where stderr is no terminal, but for a line when a phase begins."""

    def __init__(self) -> None:
        """Begin without a bar."""
        self._phase: Phase | None = None
        self._bar: Any = None
        self._done = 0

    def __call__(self, progress: Progress) -> None:
        """Show how far the probe is."""
        if progress.phase is not self._phase:
            self.close()
            self._phase, self._done = progress.phase, 0
            self._bar = click.progressbar(
                length=max(1, progress.target_bytes),
                label=_LABELS.get(progress.phase, progress.phase.value).ljust(12),
                file=sys.stderr,
                show_pos=False,
                width=BAR_WIDTH,
                item_show_func=lambda now: figures(now, room=shutil.get_terminal_size().columns - BESIDE),
                hidden=progress.phase is Phase.TIDYING,
            )
            self._bar.__enter__()
        step = max(0, progress.done_bytes - self._done)
        self._done = max(self._done, progress.done_bytes)
        self._bar.update(step, progress)

    def close(self) -> None:
        """Leave the last bar standing and go to the next line."""
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
            self._bar = None


def figures(progress: Progress | None, *, room: int) -> str:
    """Give what stands beside the bar: bytes, rate, floor so far and temperature, as far as there is room.

    Args:
        progress: How far the probe is; None before its first word.
        room: Characters left on the line [1]; a line that is too long would be broken and never redrawn.
    """
    if progress is None:
        return ""
    parts = [f"{progress.done_bytes / 1e9:.2f} of {progress.target_bytes / 1e9:.2f} GB"]
    parts.append(f"{progress.rate_now_bytes_per_s / 1e6:.0f} MB/s")
    if progress.floor_so_far_bytes_per_s is not None:
        parts.append(f"floor so far {progress.floor_so_far_bytes_per_s / 1e6:.0f}")
    if progress.temperature_c is not None:
        parts.append(f"{progress.temperature_c:.0f} C")
    while len(parts) > 1 and len(", ".join(parts)) > room:
        parts.pop()
    return ", ".join(parts)
