"""The same reports and the same questions on both engines give the same answers, byte for byte."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import judge_fleet, keep_within_retention, listen_for_silence
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store, ids, rules
from ebbmark_collector.store.postgres import PostgresStore
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.conftest import NOON, SetClock, make_api

DAY = timedelta(days=1)
PATHS = (
    "/v1/fleet",
    "/v1/drives",
    "/v1/drives?sort=model&limit=2",
    "/v1/drives?sort=-floor_bytes_per_s",
    "/v1/drives?contains=invented",
    "/v1/hosts",
    "/v1/alerts",
    "/v1/exports?of=drives&form=csv",
    "/v1/exports?of=probes",
    "/metrics",
)
OF_A_DRIVE = ("", "/probes", "/probes?limit=3", "/health", "/standings", "/takes", "/floor.svg?days=730")


def _told() -> list[object]:
    """Three months of four drives, one of them slowing down."""
    drives = [
        wire.OWN.model_copy(update={"serial": f"S00{n}", "wwn": None, "model": f"Invented {n}T"})
        for n in range(4)
    ]
    said: list[object] = [wire.inventory(NOON - 90 * DAY, identities=drives)]
    for number, drive in enumerate(drives):
        on = wire.subject(drive, ref=f"d{number}")
        said.append(wire.soak(NOON - 89 * DAY, 400e6, on=on))
        for day in range(80, 0, -4):
            rate = 450e6 - (number == 3) * (80 - day) * 5e6
            said.append(wire.probe(NOON - day * DAY, rate, on=on))
            said.append(
                wire.health(NOON - day * DAY, on=on, percentage_used=number, media_errors=number // 3)
            )
    return said


def _played(store: Store, said: list[object], monkeypatch: pytest.MonkeyPatch) -> dict[str, bytes]:
    numbers = iter(range(10**6))
    for module in ("intake.naming", "store.alerting"):
        monkeypatch.setattr(
            f"ebbmark_collector.{module}.new_id", lambda now: f"id{next(numbers):024}", raising=True
        )
    assert ids.new_id  # what is replaced is the only randomness in what is shown
    api = make_api(store, SetClock(now=NOON))
    store.write(
        lambda tx: rules.put_assignment(
            tx,
            {
                "assignment_id": "all",
                "place_in_order": 1,
                "matched_by": "model",
                "pattern": "*",
                "role": "field-recorder",
                "created_ms": 0,
            },
        )
    )
    store.write(lambda tx: rules.set_mark(tx, "both"))
    accept_many(store, said, host_id="host-1", received_at=NOON - DAY)  # type: ignore[arg-type]
    judge_fleet(store, NOON, everything=True)
    listen_for_silence(store, NOON)
    keep_within_retention(store, NOON, Settings())
    judge_fleet(store, NOON + DAY / 24, everything=True)
    client = api.client("viewer")
    found = {path: client.get(path).data for path in PATHS}
    for row in client.get("/v1/drives").json["items"]:
        for more in OF_A_DRIVE:
            path = f"/v1/drives/{row['drive_id']}{more}"
            found[path] = client.get(path).data
    return found


@pytest.mark.postgres
def test_the_api_says_the_same_on_both_engines(
    tmp_path: Path, new_postgres: Callable[[], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every page, export, chart and judgement is the same bytes on SQLite and on PostgreSQL."""
    said = _told()
    sqlite, postgres = SqliteStore(tmp_path / "collector.db"), PostgresStore(new_postgres(), pool=2)
    try:
        one = _played(sqlite, said, monkeypatch)
        other = _played(postgres, said, monkeypatch)
    finally:
        sqlite.close()
        postgres.close()

    assert set(one) == set(other)
    for path, body in one.items():
        assert body == other[path], path
    assert b'"items":[]' not in one["/v1/alerts"]
    assert len(PATHS) + 4 * len(OF_A_DRIVE) == len(one)
