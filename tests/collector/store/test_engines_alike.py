"""The same reports give the same answers, byte for byte, whichever engine keeps them."""

import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import judge_fleet, listen_for_silence
from ebbmark_collector.store import Store
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.conftest import NOON, SetClock, make_api
from tests.collector.intake.test_accept import assign

_ID = re.compile(rb"\b[0-9a-hjkmnp-tv-z]{26}\b|\b[0-9a-f]{12}\b")
PATHS = (
    "/v1/fleet",
    "/v1/hosts",
    "/v1/hosts/host-1",
    "/v1/hosts/host-1/orders",
    "/v1/drives",
    "/v1/drives?sort=-floor_bytes_per_s",
    "/v1/drives?contains=INV&without=kit",
    "/v1/alerts",
    "/v1/alerts?open=true&sort=raised_at",
    "/v1/worklist",
    "/v1/replacements",
    "/v1/fits?format=prores-422-hq-uhd-59.94",
    "/v1/kits",
    "/v1/exports?of=drives",
    "/v1/exports?of=probes&form=csv",
    "/metrics",
)


def _answers(store: Store) -> dict[str, bytes]:
    """Fill a store and ask it everything; made ids are numbered in the order they appear."""
    time = SetClock()
    api = make_api(store, time)
    assign(store)
    identities = [wire.OWN.model_copy(update={"serial": f"S{i:04}", "wwn": f"w{i:04}"}) for i in range(3)]
    given = [wire.inventory(NOON, identities=identities)]
    for number, identity in enumerate(identities):
        on = wire.subject(identity, ref=f"d{number}")
        given += [
            wire.soak(NOON, (150 + 200 * number) * 1e6, on=on),
            wire.health(NOON, on=on, media_errors=number),
        ]
        given += [wire.probe(NOON + timedelta(days=d), 600e6 - d * 2e6, on=on) for d in range(1, 20)]
    named = [one.model_copy(update={"report_id": f"r{i}", "sequence": i}) for i, one in enumerate(given)]
    for i, one in enumerate(named):
        if one.body.kind == "probe":
            result = one.body.result.model_copy(update={"probe_id": f"p{i}"})
            named[i] = one.model_copy(update={"body": one.body.model_copy(update={"result": result})})
    now = time.go_on(days=21)
    accept_many(store, named, host_id="host-1", received_at=now)
    judge_fleet(store, now, everything=True)
    listen_for_silence(store, now)
    seen: dict[bytes, bytes] = {}

    def numbered(match: re.Match[bytes]) -> bytes:
        return seen.setdefault(match.group(), b"#%d" % len(seen))

    answers = {}
    for path in PATHS:
        answer = api.client().get(path)
        assert answer.status_code == 200, (path, answer.data)
        answers[path] = _ID.sub(numbered, answer.data)
    drive_id = api.client().get("/v1/drives?limit=1&sort=serial").get_json()["items"][0]["drive_id"]
    for path in ("", "/probes", "/health", "/standings", "/fits?format=150MB/s", "/floor.svg"):
        answers[path] = _ID.sub(numbered, api.client().get(f"/v1/drives/{drive_id}{path}").data)
    return answers


@pytest.mark.postgres
def test_both_engines_answer_alike(tmp_path: Path, new_postgres: Callable[[], str]) -> None:
    """Every list, drive, alert, picture and export is the same from SQLite and from PostgreSQL."""
    from ebbmark_collector.store.postgres import PostgresStore

    first, second = SqliteStore(tmp_path / "collector.db"), PostgresStore(new_postgres(), pool=4)
    try:
        from_sqlite, from_postgresql = _answers(first), _answers(second)
    finally:
        first.close()
        second.close()

    differing = [path for path in from_sqlite if from_sqlite[path] != from_postgresql[path]]
    assert differing == []
