"""The commands: tell the truth of a fleet, play its reports, score the judge on it, show it all."""

import json
import logging
import os
import re
import sys
from pathlib import Path

import click

from sample_fleet.diary.days import Diary
from sample_fleet.studio.invent import SMALL, STUDIO, Scale, invent
from sample_fleet.truth import LOOK_AHEAD_DAYS, truths

_RANGE = re.compile(r"^(\d+)(?:-(\d+))?$")


class Seeds(click.ParamType[tuple[int, ...]]):
    """Seeds as `7`, `1085-1104` or a list of such, parted by commas."""

    name = "seeds"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, ...]:
        """Read the list."""
        seeds: list[int] = []
        for part in str(value).split(","):
            found = _RANGE.match(part.strip())
            if not found:
                self.fail(f"{part!r} is neither a seed nor a range such as 1085-1104.", param, ctx)
            first, last = int(found[1]), int(found[2] or found[1])
            seeds += range(first, last + 1)
        return tuple(seeds)


def _scale(small: bool) -> Scale:
    return SMALL if small else STUDIO


@click.group(help=__doc__)
def main() -> None:
    """Group the commands."""


@main.command()
@click.option("--seed", default=1, show_default=True, help="Which studio.")
@click.option("--days", default=365, show_default=True, help="Length of the story in days.")
@click.option("--small", is_flag=True, help="The smaller studio of the demonstration.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, all drives.")
def truth(seed: int, days: int, small: bool, as_json: bool) -> None:
    """Say which drive would first lose frames, when and why."""
    studio = invent(seed, _scale(small))
    for found in truths(studio, last_day=days + LOOK_AHEAD_DAYS):
        row = found.row()
        if as_json:
            click.echo(json.dumps(row))
        elif row["first_drop_day"] is not None or row["onset_day"] is not None:
            lost = "never" if row["first_drop_day"] is None else f"day {row['first_drop_day']}"
            onset = "" if row["onset_day"] is None else f"from day {row['onset_day']}"
            click.echo(
                f"{row['asset_tag']}  {row['model']:<14} {row['role']:<14} loses frames: {lost:<9} "
                f"{row['cause']} {onset}"
            )


@main.command()
@click.option("--seed", default=1, show_default=True, help="Which studio.")
@click.option("--days", default=30, show_default=True, help="How many days.")
@click.option("--small", is_flag=True, help="The smaller studio of the demonstration.")
@click.option("--noise", default=1.0, show_default=True, help="Factor on the noise of every probe.")
def play(seed: int, days: int, small: bool, noise: float) -> None:
    """Write the fleet's reports to standard output, one JSON object a line, as the collector gets them."""
    diary = Diary(invent(seed, _scale(small)), noise_factor=noise)
    for _ in range(days):
        for arrival in diary.next_day():
            sys.stdout.write(
                f'{{"received_at": "{arrival.received_at.isoformat()}", '
                f'"report": {arrival.report.model_dump_json(exclude_none=True)}}}\n'
            )


@main.command()
@click.option("--seeds", type=Seeds(), default="1-4", show_default=True, help="Which studios.")
@click.option("--months", default=12, show_default=True, help="Length of the story in months.")
@click.option("--noise", default=1.0, show_default=True, help="Factor on the noise of every probe.")
@click.option("--processes", default=os.cpu_count() or 1, show_default=True, help="Seeds played at a time.")
@click.option("--json", "as_json_text", is_flag=True, help="One JSON object instead of a table.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Also keep the JSON here.")
@click.option(
    "--counts",
    type=click.Path(path_type=Path, file_okay=False),
    help="Keep each seed's counts in this folder and go on from those that are there.",
)
def score(
    *,
    seeds: tuple[int, ...],
    months: int,
    noise: float,
    processes: int,
    as_json_text: bool,
    out: Path | None,
    counts: Path | None,
) -> None:
    """Replay the studios through the collector's intake and hold what it raised against the truth."""
    from sample_fleet.scoring.score import as_json, as_table
    from sample_fleet.scoring.score import score as play_and_count

    logging.disable(logging.INFO)
    days = round(months * 365 / 12)
    result = play_and_count(seeds, days=days, noise=noise, processes=processes, folder=counts)
    if out is not None:
        out.write_text(as_json(result) + "\n")
    click.echo(as_json(result) if as_json_text else as_table(result))


@main.command()
@click.option("--once", is_flag=True, help="End when all is shown, even on a terminal.")
@click.option("--folder", is_flag=True, help="Probe an ordinary folder, even where a drive could be made.")
def demo(once: bool, folder: bool) -> None:
    """Show it all: a real probe over real HTTP, and some months of an invented fleet."""
    from sample_fleet.demo.programs import DemoError
    from sample_fleet.demo.tour import tour

    try:
        tour(once=once, folder_only=folder)
    except DemoError as error:
        click.echo(f"The demonstration stopped: {error}", err=True)
        sys.exit(1)
    except KeyboardInterrupt:
        click.echo("\nStopped; nothing was left behind.")
        sys.exit(130)
