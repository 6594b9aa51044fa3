"""How well the judge foresees losses on twenty invented studios that nothing was tuned on.

The fleets are played by `python -m sample_fleet score`; a score kept in the folder `EBBMARK_SCORES` (as
`score.json` and `score_noise2.json`) is read instead of played anew.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.bench.results import result

SEEDS = "1085-1104"
BARS = {
    "recall": ("ratio", ">= 0.98"),
    "precision": ("ratio", ">= 0.95"),
    "lead_days_median": ("days", ">= 21"),
    "lead_days_p10": ("days", None),
    "sudden_lead_days_median": ("days", "> 0"),
    "false_alerts_per_drive_year": ("1/year", "<= 0.02"),
    "alerts_per_admin_week": ("1/week", None),
    "first_cause_right": ("ratio", ">= 0.85"),
    "chattering": ("alerts", "<= 0"),
}
MEDIA_BAR = ">= 0.9"
REPLAY_BAR = "<= 25"  # twenty seeds of a year each


def command_for(seeds: list[int], noise: float) -> str:
    """Give the command that repeats a score of consecutive seeds."""
    noisy = "" if noise == 1 else f" --noise {noise:g}"
    return f"python -m sample_fleet score --seeds {seeds[0]}-{seeds[-1]}{noisy} --json"


def read_score(noise: float) -> dict[str, Any]:
    """Play the fleets, or read what an earlier play left in the folder named by `EBBMARK_SCORES`."""
    name = "score.json" if noise == 1 else f"score_noise{noise:g}.json"
    kept = os.environ.get("EBBMARK_SCORES")
    if kept and (Path(kept) / name).exists():
        found: dict[str, Any] = json.loads((Path(kept) / name).read_text())
        return found
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / name
        words = [sys.executable, "-m", "sample_fleet", "score", "--seeds", SEEDS, "--noise", f"{noise:g}"]
        subprocess.run([*words, "--out", str(out)], check=True, stdout=subprocess.DEVNULL)
        played: dict[str, Any] = json.loads(out.read_text())
        return played


def results_of(score: dict[str, Any], *, noise: float) -> list[dict[str, Any]]:
    """Make the results of one score: the judge's with their bars, its rivals' beside them without."""
    label = "" if noise == 1 else f"_noise{noise:g}"
    how = command_for(score["seeds"], noise)
    on = (
        f"On an invented fleet: {len(score['seeds'])} studios, {score['days'] / 30.4:.0f} months, "
        f"{score['at_risk']} drives that come to lose frames; nothing was tuned on these seeds."
    )
    found = [
        result(f"judge_score.{name}{label}", [score[name]], unit=unit, bar=bar, command=how, note=on)
        for name, (unit, bar) in BARS.items()
        if score.get(name) is not None
    ]
    for number, (rival, figures) in enumerate(score["rivals"].items(), 1):
        found += [
            result(
                f"judge_score.rival{number}.{name}{label}",
                [figures[name]],
                unit=BARS[name][0],
                bar=None,
                command=how,
                note=f"A naive judge of the same reports: {rival}.",
            )
            for name in ("recall", "precision", "false_alerts_per_drive_year", "lead_days_median")
            if figures.get(name) is not None
        ]
    if score.get("replay_s") is not None:
        found.append(
            result(
                f"judge_score.replay{label}",
                [score["replay_s"] / 60],
                unit="min",
                bar=REPLAY_BAR,
                command=how,
                note=f"{score['reports']:,} reports taken in and judged, two seeds at a time, "
                f"Python {score['python']}; the machine's time, unlike all else here.",
            )
        )
    media = score["media"]
    if media["recall"] is not None:
        hidden = f" ({media['hidden']} more in readers too slow to show it)" if media.get("hidden") else ""
        note = (
            f"Media probed a few times a year: of {media['losing']} that lose frames {media['seen_short']} "
            f"were probed while short and not yet losing{hidden}; these alerted before the first loss. {on}"
        )
        found.append(
            result(
                f"judge_score.media_recall{label}",
                [media["recall"]],
                unit="ratio",
                bar=MEDIA_BAR,
                command=how,
                note=note,
            )
        )
    return found


def run() -> list[dict[str, Any]]:
    """Score the judge as it is, then with doubled noise."""
    return [each for noise in (1.0, 2.0) for each in results_of(read_score(noise), noise=noise)]
