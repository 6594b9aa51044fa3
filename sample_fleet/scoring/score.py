"""The score of many seeds: played side by side in processes, counted, and told as a table or as JSON."""

import json
import platform
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from ebbmark_collector.server import collect_seldom
from pydantic import TypeAdapter

from sample_fleet.physics.nature import Trouble
from sample_fleet.scoring.calls import Call
from sample_fleet.scoring.media import MediaTally, media_tally
from sample_fleet.scoring.metrics import Case, Score, Tally, is_right, score_of, tally
from sample_fleet.scoring.replay import Played, play_seed
from sample_fleet.studio.invent import Presence

JUDGE = "ebbmark"
_FIGURES = (
    ("recall", "{:.3f}"),
    ("precision", "{:.3f}"),
    ("lead_days_median", "{:.0f} d"),
    ("lead_days_p10", "{:.0f} d"),
    ("false_alerts_per_drive_year", "{:.3f}"),
    ("alerts_per_admin_week", "{:.2f}"),
    ("first_cause_right", "{:.3f}"),
    ("chattering", "{}"),
)


@dataclass(frozen=True, kw_only=True)
class Counted:
    """One seed's counts: the judge's, its rivals', the media's, and what was missed or called wrongly."""

    seed: int
    tallies: dict[str, Tally]
    media: MediaTally
    remarks: tuple[str, ...]
    reports: int


@dataclass(frozen=True, kw_only=True)
class Result:
    """The score of all seeds together.

    `replay_s` is how long it took to play them all [s]; `None` where some were played earlier.
    """

    seeds: tuple[int, ...]
    days: int
    noise: float
    scores: dict[str, Score]
    media: MediaTally
    remarks: tuple[str, ...]
    reports: int
    replay_s: float | None = None


_COUNTED: TypeAdapter[Counted] = TypeAdapter(Counted)


def count_seed(seed: int, days: int, noise: float) -> Counted:
    """Play one seed and count it."""
    played = play_seed(seed, days=days, noise_factor=noise)
    cases = [
        Case(drive=truth.drive.nature.key, fate=truth.fate)
        for truth in played.truths
        if truth.drive.presence is Presence.FIXED
    ]
    tallies = {JUDGE: tally(cases, played.calls, days=days, all_calls=played.calls)}
    for name, calls in played.rivals.items():
        tallies[name] = tally(cases, calls, days=days, all_calls=calls)
    return Counted(
        seed=seed,
        tallies=tallies,
        media=media_tally(played.truths, played.calls, days=days),
        remarks=tuple(_remarks(played, cases, days)),
        reports=played.reports,
    )


def _remarks(played: Played, cases: Sequence[Case], days: int) -> list[str]:
    """Say which drives were missed, called falsely, or given another cause: what one tunes by."""
    by_drive: dict[str, list[Call]] = {}
    for call in played.calls:
        by_drive.setdefault(call.drive, []).append(call)
    facts = {truth.drive.nature.key: truth for truth in played.truths}
    said: list[str] = []
    for case in cases:
        drive = facts[case.drive].drive
        who = f"seed {played.seed} {case.drive} {drive.line.model}, {drive.role.name}"
        calls = [call for call in by_drive.get(case.drive, []) if call.predicts]
        counted = tally([case], calls, days=days)
        lost = f"{case.fate.cause.value} from day {drive.nature.course.onset_day:.0f}, lost {case.lost_at}"
        if counted.at_risk and not counted.foreseen:
            said.append(f"missed: {who}: {lost}; calls {_brief(calls)}")
        if counted.false_calls:
            fate = lost if drive.nature.course.trouble is not Trouble.NONE else "well"
            said.append(f"false: {who}: {fate}; {_brief([c for c in calls if not is_right(case, c)])}")
        if counted.foreseen and not counted.causes_right:
            said.append(f"cause: {who}: {lost}; {_brief(calls)}")
    return said


def _brief(calls: Sequence[Call]) -> str:
    return ", ".join(f"{call.kind} on {call.at_day:.0f} ({call.cause})" for call in calls[:3]) or "none"


def _kept(seed: int, days: int, noise: float, folder: Path | None) -> Path | None:
    return folder / f"seed-{seed}-{days}-{noise:g}.json" if folder is not None else None


def counted_or_kept(seed: int, days: int, noise: float, folder: Path | None) -> Counted:
    """Count a seed, or read what an earlier run of the same code left of it in the folder."""
    kept = _kept(seed, days, noise, folder)
    if kept is not None and kept.exists():
        return _COUNTED.validate_json(kept.read_bytes())
    counted = count_seed(seed, days, noise)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(_COUNTED.dump_json(counted))
    return counted


def score(
    seeds: Sequence[int], *, days: int, noise: float, processes: int, folder: Path | None = None
) -> Result:
    """Play and count every seed, so many at a time.

    Args:
        seeds: Which studios.
        days: Length of the story [d].
        noise: Factor on the noise of every probe [1].
        processes: How many are played at a time [1].
        folder: Where each seed's counts are kept, so that a run cut short can go on; `None` keeps nothing.
    """
    files = [_kept(seed, days, noise, folder) for seed in seeds]
    earlier = any(file is not None and file.exists() for file in files)
    began = time.monotonic()
    # A player keeps a fleet's year, as the server does: collecting it again and again costs some hundredths.
    with ProcessPoolExecutor(max_workers=processes, initializer=collect_seldom) as pool:
        waiting = [pool.submit(counted_or_kept, seed, days, noise, folder) for seed in seeds]
        counted = sorted((done.result() for done in as_completed(waiting)), key=lambda c: c.seed)
    result = result_of(counted, days=days, noise=noise)
    return result if earlier else replace(result, replay_s=time.monotonic() - began)


def result_of(counted: Sequence[Counted], *, days: int, noise: float) -> Result:
    """Make one result of several seeds' counts."""
    total: dict[str, Tally] = {}
    media = MediaTally()
    for one in counted:
        media += one.media
        for name, found in one.tallies.items():
            total[name] = total.get(name, Tally()) + found
    return Result(
        seeds=tuple(one.seed for one in counted),
        days=days,
        noise=noise,
        scores={name: score_of(found) for name, found in total.items()},
        media=media,
        remarks=tuple(remark for one in counted for remark in one.remarks),
        reports=sum(one.reports for one in counted),
    )


def as_document(result: Result) -> dict[str, object]:
    """Give the score as plain values: the judge's figures at the top, the rivals' beside them."""
    return {
        **asdict(result.scores[JUDGE]),
        "seeds": list(result.seeds),
        "days": result.days,
        "noise": result.noise,
        "reports": result.reports,
        "replay_s": result.replay_s,
        "python": platform.python_version(),
        "on": "an invented fleet",
        "media": {**asdict(result.media), "recall": result.media.recall},
        "rivals": {name: asdict(found) for name, found in result.scores.items() if name != JUDGE},
        "remarks": list(result.remarks),
    }


def as_table(result: Result) -> str:
    """Give the score as a table for people."""
    judge = result.scores[JUDGE]
    months = result.days / 30.4
    lines = [
        f"{len(result.seeds)} invented studios, {months:.0f} months each, {result.reports:,} reports.",
        f"Probe noise x{result.noise:g}; {judge.drives} fixed drives with a demand.",
        f"{judge.at_risk} of them are fit at first and lose frames later.",
        "All figures are on this invented fleet.",
        *([f"Replayed in {result.replay_s / 60:.1f} minutes."] if result.replay_s is not None else []),
        "",
    ]
    names = list(result.scores)
    width = max(len(name) for name, _ in _FIGURES)
    for place, name in enumerate(names):
        lines.append(f"  ({place + 1}) {name}")
    lines += ["", " " * width + "".join(f"{f'({place + 1})':>10}" for place in range(len(names)))]
    for figure, how in _FIGURES:
        cells = [getattr(result.scores[name], figure) for name in names]
        told = ["-" if cell is None else how.format(cell) for cell in cells]
        lines.append(f"{figure:<{width}}" + "".join(f"{cell:>10}" for cell in told))
    media = result.media
    lines += ["", f"Media probed a few times a year: {media.told()}"]
    kinds = Counter(remark.split(":")[0] for remark in result.remarks)
    if kinds:
        lines += ["", "To look into: " + ", ".join(f"{count} {kind}" for kind, count in kinds.items())]
        lines += [f"  {remark}" for remark in result.remarks]
    return "\n".join(lines)


def as_json(result: Result) -> str:
    """Give the score as one JSON object."""
    return json.dumps(as_document(result))
