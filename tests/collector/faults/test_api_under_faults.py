"""What a caller hears while the database is held, the disk full, a page damaged or the clock set back."""

import json
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import judge_fleet
from ebbmark_collector.store import sqlite
from ebbmark_collector.store.sqlite import SqliteStore
from werkzeug.test import TestResponse

from tests.collector import wire
from tests.collector.conftest import Api, SetClock, make_api


def batch(api: Api, count: int = 1, **more: Any) -> dict[str, Any]:
    """Some health reads as an agent sends them."""
    made = [wire.health(api.time.now, **more) for _ in range(count)]
    return {"reports": [json.loads(report.model_dump_json()) for report in made]}


def post(api: Api, body: dict[str, Any]) -> TestResponse:
    """Hand a batch in."""
    return api.client("agent").post("/v1/reports", json=body)


def kept(path: Path) -> list[str]:
    """Give the reports in a database."""
    with closing(sqlite3.connect(path, timeout=10)) as conn:
        return [row[0] for row in conn.execute("SELECT report_id FROM report_ids").fetchall()]


def test_a_held_database_is_busy_and_then_not(
    tmp_path: Path, time: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While another process holds the file a report is refused with 503; a moment later it goes in."""
    monkeypatch.setattr(sqlite, "LOCK_WAIT_S", 0.2)
    store = SqliteStore(tmp_path / "collector.db")
    api = make_api(store, time)
    body = batch(api)
    assert post(api, batch(api)).status_code == 200  # the token's last use is noted now, not below
    with closing(sqlite3.connect(tmp_path / "collector.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        held = post(api, body)
        seen = api.client("agent").get("/v1/hosts/host-1/orders")
        other.execute("ROLLBACK")
    free = post(api, body)
    store.close()

    assert held.status_code == 503
    assert int(held.headers["Retry-After"]) > 0
    assert held.get_json()["type"] == "/problems/busy"
    assert seen.status_code == 200  # reading goes on
    assert free.get_json()["accepted"] == [body["reports"][0]["report_id"]]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of four megabytes."""
    if os.geteuid() != 0:
        pytest.skip("mounting a small disk needs root")
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)]
    mounted = subprocess.run(command, capture_output=True, text=True, check=False)
    if mounted.returncode != 0:
        pytest.skip(f"a small disk cannot be mounted here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_is_507_loses_nothing_and_mends_by_itself(small_disk: Path, time: SetClock) -> None:
    """Full, reports are refused with 507; acknowledged ones stay; with space again the same batch goes in."""
    store = SqliteStore(small_disk / "collector.db")
    api = make_api(store, time)
    first = post(api, batch(api)).get_json()["accepted"]
    ballast = small_disk / "ballast"
    ballast.write_bytes(b"x" * (shutil.disk_usage(small_disk).free - 700_000))
    acknowledged, refused = list(first), None
    for _ in range(400):
        body = batch(api, 20)
        answer = post(api, body)
        if answer.status_code != 200:
            refused = answer
            break
        acknowledged += answer.get_json()["accepted"]
    assert refused is not None
    looks = api.client().get("/v1/drives").status_code
    still = post(api, body).status_code
    ballast.unlink()
    again = post(api, body)
    store.close()

    assert (refused.status_code, still) == (507, 507)
    assert refused.get_json()["type"] == "/problems/storage-full"
    assert "Retry-After" in refused.headers
    assert looks == 200  # what is there can still be read
    assert len(again.get_json()["accepted"]) == 20
    assert set(acknowledged) <= set(kept(small_disk / "collector.db"))


def test_a_damaged_page_is_said_and_what_to_do(tmp_path: Path, time: SetClock) -> None:
    """A page overwritten beneath the collector is a problem that names the cure, never a wrong answer."""
    store = SqliteStore(tmp_path / "collector.db")
    api = make_api(store, time)
    for _ in range(20):
        assert post(api, batch(api, 50)).status_code == 200
    store.close()
    path = tmp_path / "collector.db"
    with path.open("r+b") as file:
        pages = path.stat().st_size // 4096
        for page in range(pages // 2, pages):
            file.seek(page * 4096)
            file.write(b"\xff" * 4096)
    damaged = SqliteStore(tmp_path / "collector.db")
    again = make_api_on(damaged, api)
    answers = [again.client().get(path) for path in ("/v1/drives", "/v1/hosts", "/v1/alerts", "/v1/fleet")]
    answers.append(post(again, batch(again)))
    damaged.close()

    told = [answer for answer in answers if answer.status_code == 500]
    assert told
    assert {answer.get_json()["type"] for answer in told} == {"/problems/store-damaged"}
    assert all("restore the last good backup" in answer.get_json()["detail"] for answer in told)
    assert all(str(tmp_path) in answer.get_json()["detail"] for answer in told)


def make_api_on(store: SqliteStore, known: Api) -> Api:
    """Put an application on a store whose tokens are known already."""
    from ebbmark_collector.http.app import create_app
    from ebbmark_collector.http.operation import Services
    from ebbmark_collector.settings import Settings

    app = create_app(Services(store=store, clock=known.time.clock(), settings=Settings()))
    return Api(app=app, store=store, time=known.time, host_id=known.host_id, tokens=known.tokens)


def test_a_clock_set_back_does_no_harm(api: Api) -> None:
    """A day back, reports go in, pages and the audit log hold every row, and the standing is what it was."""
    client = api.client()
    rule = {"matched_by": "serial", "pattern": "S*", "role": "field-recorder"}
    assert client.post("/v1/assignments", json=rule).status_code == 201
    given = [wire.inventory(api.time.now), wire.soak(api.time.now, 300e6)]
    accept_many(api.store, given, host_id="host-1", received_at=api.time.now)
    judge_fleet(api.store, api.time.now, everything=True)
    before = client.get("/v1/drives").get_json()["items"][0]

    api.time.now -= timedelta(days=1)
    late = post(api, batch(api, 3)).get_json()["accepted"]
    ahead = wire.health(api.time.now + timedelta(days=1))
    taken = post(api, {"reports": [json.loads(ahead.model_dump_json())]}).get_json()["accepted"]
    judge_fleet(api.store, api.time.now, everything=True)
    edited = client.patch(
        f"/v1/drives/{before['drive_id']}", json={"place": "shelf"}, headers={"If-Match": "*"}
    )
    made = client.post("/v1/holds", json={"ends_at": "2026-03-02T23:00:00Z", "reason": "x"})
    after = client.get("/v1/drives").get_json()["items"][0]

    assert (len(late), taken) == (3, [ahead.report_id])
    assert (edited.status_code, made.status_code) == (200, 201)
    assert (before["standing"], before["floor_bytes_per_s"]) == (
        after["standing"],
        after["floor_bytes_per_s"],
    )
    lines = client.get("/v1/audit?limit=500").get_json()["items"]
    assert [line["action"] for line in lines].count("drive.edit") == 1
    assert len(lines) == 3
