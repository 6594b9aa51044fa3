"""Two hundred kills -9 inside the intake at random moments, and what is left: whole, once, consistent."""

import json
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from ebbmark_collector.rounds import judge_fleet
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector.conftest import NOON
from tests.collector.faults import after_kills

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
    after_kills.check(store, accepted)
    last = NOON + timedelta(hours=KILLS + 10)
    judge_fleet(store, last, everything=True)
    with store.tx() as tx:
        once = tx.query("SELECT standing, floor_bytes_per_s, open_alerts FROM drives")
    judge_fleet(store, last, everything=True)
    with store.tx() as tx:
        twice = tx.query("SELECT standing, floor_bytes_per_s, open_alerts FROM drives")
    store.close()

    assert len(accepted) > KILLS // 4  # on a busy machine many are killed before their first report
    assert once == twice
