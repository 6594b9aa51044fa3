"""Two hundred kills -9 at random moments under load, and what is left: whole, once, consistent."""

import json
import subprocess
import sys
from collections import defaultdict
from datetime import timedelta
from pathlib import Path

import pytest
from ebbmark_collector.rounds import judge_fleet
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector.conftest import NOON

KILLS = 200  # [1]
LOOP = Path(__file__).parents[1] / "server" / "kill_loop.py"


@pytest.mark.proof
def test_two_hundred_kills_lose_nothing_acknowledged(tmp_path: Path) -> None:
    """Every acknowledged report is there, once; alerts and histories agree; judged anew, nothing moves."""
    ended = subprocess.run(
        [sys.executable, str(LOOP), str(tmp_path / "collector.db"), str(KILLS)],
        capture_output=True,
        text=True,
        timeout=600,
        check=True,
        cwd=Path(__file__).parents[3],
    )
    accepted = set(json.loads(ended.stdout))
    store = SqliteStore(tmp_path / "collector.db")
    with store.tx() as tx:
        reports = [row["report_id"] for row in tx.query("SELECT report_id FROM reports")]
        known = [row["report_id"] for row in tx.query("SELECT report_id FROM report_ids")]
        probes = [row["report_id"] for row in tx.query("SELECT report_id FROM probes")]
        alerts = tx.query("SELECT alert_id, is_open, times_raised FROM alerts")
        lines = tx.query("SELECT alert_id, number, event FROM alert_transitions ORDER BY alert_id, number")
        drive = tx.query("SELECT * FROM drives")[0]
        check = tx.query("PRAGMA integrity_check")
    histories: dict[str, list[tuple[int, str]]] = defaultdict(list)
    for line in lines:
        histories[line["alert_id"]].append((line["number"], line["event"]))
    last = NOON + timedelta(hours=KILLS + 10)
    judge_fleet(store, last, everything=True)
    with store.tx() as tx:
        once = tx.query("SELECT standing, floor_bytes_per_s, open_alerts FROM drives")
    judge_fleet(store, last, everything=True)
    with store.tx() as tx:
        twice = tx.query("SELECT standing, floor_bytes_per_s, open_alerts FROM drives")
    store.close()

    assert check == [{"integrity_check": "ok"}]
    assert len(accepted) > KILLS // 4  # on a busy machine many are killed before their first report
    assert accepted <= set(reports)
    assert len(reports) == len(set(reports))
    assert sorted(reports) == sorted(known)
    assert {one for one in reports if one.startswith("probe-")} == set(probes)
    assert drive["open_alerts"] == sum(alert["is_open"] for alert in alerts)
    for alert in alerts:
        story = histories[alert["alert_id"]]
        assert (
            [number for number, _ in story] == list(range(story[0][0], story[0][0] + len(story)))
            if story
            else True
        )
        assert bool(story) == (alert["times_raised"] > 0)
        if story:
            raised = sum(event in {"raised", "raised_again"} for _, event in story)
            assert raised == alert["times_raised"]
            assert (story[-1][1] == "cleared") != bool(alert["is_open"])
    assert once == twice
