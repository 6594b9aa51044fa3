"""A short replay through the collector's real intake, and what the score says in the end."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from sample_fleet.scoring.media import MediaTally
from sample_fleet.scoring.metrics import Tally
from sample_fleet.scoring.replay import Played, play_seed
from sample_fleet.scoring.score import JUDGE, Counted, as_json, as_table, counted_or_kept, result_of, score
from sample_fleet.studio.invent import Scale

TINY = Scale(capture=2, edit=1, replay=1, carts=1, shuttles=2, cards=1, archive_disks=1, troubled_share=0.9)


@pytest.mark.slow
def test_the_same_seed_raises_the_same_alerts_through_the_real_intake() -> None:
    """Two replays of a tiny studio agree on every call; the trouble dealt to it is called at all."""
    first = play_seed(5, days=75, scale=TINY)
    again = play_seed(5, days=75, scale=TINY)

    def without_ids(played: Played) -> list[tuple[object, ...]]:
        return [(c.drive, c.at_day, c.kind, c.predicts, c.cause) for c in played.calls]

    assert without_ids(first) == without_ids(again)
    assert first.rivals == again.rivals
    assert first.calls
    assert first.reports == again.reports > 500


def counted(seed: int) -> Counted:
    """Make a seed's counts by hand."""
    judge = Tally(
        drives=70,
        drive_years=70.0,
        at_risk=10,
        foreseen=9,
        called_drives=9,
        false_calls=1,
        leads_days=(20.0, 30.0, 40.0),
        causes_judged=9,
        causes_right=8,
        raised=100,
        weeks=52.0,
    )
    media = MediaTally(losing=4, seen_short=2, warned=1, drive_years=50.0)
    return Counted(
        seed=seed,
        tallies={JUDGE: judge, "rival": Tally(drives=70)},
        media=media,
        remarks=("missed: x",),
        reports=7,
    )


def test_the_document_has_the_figures_that_outside_checks_read() -> None:
    """Two seeds' counts become one object with the promised keys at its top, rivals and media beside them."""
    document = json.loads(as_json(result_of([counted(1), counted(2)], days=365, noise=1.0)))

    assert document["recall"] == pytest.approx(18 / 20)
    assert document["precision"] == pytest.approx(18 / 20)
    assert document["lead_days_median"] == 30.0
    assert document["false_alerts_per_drive_year"] == pytest.approx(2 / 140)
    assert document["first_cause_right"] == pytest.approx(16 / 18)
    assert document["seeds"] == [1, 2]
    assert document["replay_s"] is None
    assert document["media"]["recall"] == 0.5
    assert list(document["rivals"]) == ["rival"]


def test_the_table_says_that_the_fleet_is_invented() -> None:
    """Beside the figures stand the fleet's kind, the media's own bar and what to look into."""
    table = as_table(result_of([counted(1)], days=365, noise=2.0))

    assert "All figures are on this invented fleet." in table
    assert "Probe noise x2" in table
    assert "Media probed a few times a year: 4 lose frames" in table
    assert "1 missed" in table


def test_a_kept_seed_is_read_and_not_played_again(tmp_path: Path) -> None:
    """Counts that an earlier run left are what a later run gets."""
    (tmp_path / "seed-9-365-1.json").write_bytes(TypeAdapter(Counted).dump_json(counted(9)))

    assert counted_or_kept(9, 365, 1.0, tmp_path) == counted(9)


def test_seeds_that_were_played_earlier_tell_no_duration(tmp_path: Path) -> None:
    """How long a replay takes is only told of one that played them all."""
    (tmp_path / "seed-9-365-1.json").write_bytes(TypeAdapter(Counted).dump_json(counted(9)))

    read = score((9,), days=365, noise=1.0, processes=1, folder=tmp_path)

    assert read.replay_s is None
    assert "Replayed" not in as_table(read)
    assert "Replayed in 2.0 minutes." in as_table(replace(read, replay_s=120.0))
