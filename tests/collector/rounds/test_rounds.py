"""What happens by the clock: one leader, messages told at least once, thinning that changes no standing."""

import base64
import json
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import standardwebhooks
from ebbmark_collector.rounds import (
    Post,
    Rounds,
    deliver,
    gather,
    judge_fleet,
    keep_within_retention,
    listen_for_silence,
    open_post,
)
from ebbmark_collector.settings import NotifySettings, Settings
from ebbmark_collector.store import Store
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.conftest import NOON, SetClock
from tests.collector.intake.test_accept import assign, drive, enrol, take

DAY = timedelta(days=1)
NOBODY = Post(targets=(), attempts={}, source="urn:test", link=None)
SECRET = "whsec_" + base64.b64encode(bytes(range(32))).decode()


class Receiver:
    """A webhook's receiver on loopback that answers as the test says and keeps what came."""

    def __init__(self) -> None:
        self.came: list[tuple[dict[str, str], bytes]] = []
        self.answers: list[int] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                outer.came.append((dict(self.headers), body))
                self.send_response(outer.answers.pop(0) if outer.answers else 204)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self.thread.start()

    @property
    def url(self) -> str:
        """Give its address."""
        return f"http://127.0.0.1:{self.server.server_address[1]}/hook"


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """A receiver for as long as the test lasts."""
    made = Receiver()
    yield made
    made.server.shutdown()
    made.server.server_close()
    made.thread.join(timeout=10)


@pytest.fixture
def post(receiver: Receiver, tmp_path: Path) -> Post:
    """Settings that name the receiver, opened."""
    (tmp_path / "secret").write_text(SECRET)
    hook = {
        "name": "ops",
        "url": receiver.url,
        "secret_file": str(tmp_path / "secret"),
        "allowed_hosts": ["127.0.0.1"],
        "digest_below": "none",
    }
    return open_post(NotifySettings.model_validate({"webhooks": [hook]}))


def with_alert(store: Store) -> None:
    """Have a drive whose soak is too slow for its role."""
    enrol(store, "host-1")
    assign(store)
    take(store, wire.inventory(NOON), wire.soak(NOON, 150e6), at=NOON + timedelta(hours=1))


def test_an_alert_is_told_once_signed_and_in_words(store: Store, receiver: Receiver, post: Post) -> None:
    """A raised alert leaves as one signed message that the Standard Webhooks library accepts."""
    with_alert(store)
    now = datetime.now(UTC)

    assert gather(store, post, now) > 0
    assert deliver(store, post, now) > 0
    assert gather(store, post, now) == 0
    assert deliver(store, post, now) == 0

    headers, body = next((h, b) for h, b in receiver.came if b"floor_under_demand" in b)
    checked = standardwebhooks.Webhook(SECRET).verify(body, {k.lower(): v for k, v in headers.items()})
    assert checked["data"]["severity"] == "critical"
    assert "150 MB/s" in json.dumps(checked)


def test_what_did_not_get_through_is_sent_again_with_its_id(
    sqlite_store: SqliteStore, receiver: Receiver, post: Post
) -> None:
    """A receiver that fails gets the same message id later, until it says that it has it."""
    with_alert(sqlite_store)
    now = datetime.now(UTC)
    gather(sqlite_store, post, now)
    receiver.answers = [500] * 50
    deliver(sqlite_store, post, now)
    failed = {headers["webhook-id"] for headers, _ in receiver.came}
    receiver.answers, receiver.came = [], []
    deliver(sqlite_store, post, now + timedelta(hours=1))

    assert failed
    assert failed == {headers["webhook-id"] for headers, _ in receiver.came}
    rows = sqlite_store.read(lambda tx: tx.query("SELECT delivered_ms, tries FROM outbox"))
    assert all(row["delivered_ms"] is not None and row["tries"] == 2 for row in rows)


def test_messages_and_their_mark_are_one(
    sqlite_store: SqliteStore, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If marking fails no message is kept, so nothing is told that would be told again."""
    from ebbmark_collector.store import alerting

    with_alert(sqlite_store)

    def trip(*_: object) -> None:
        raise LookupError

    with monkeypatch.context() as patch:
        patch.setattr(alerting, "told", trip)
        with pytest.raises(LookupError):
            gather(sqlite_store, post, NOON + DAY)

    assert sqlite_store.read(lambda tx: tx.query("SELECT message_id FROM outbox")) == []
    assert gather(sqlite_store, post, NOON + DAY) > 0


def test_a_dead_leader_is_followed_within_ten_seconds(store: Store, time: SetClock) -> None:
    """While one process renews its lease others wait; when it falls silent another leads within 10 s."""
    first, second = (Rounds(store, time.clock(), Settings(), NOBODY) for _ in range(2))
    first._renew()
    second._renew()
    at_first = (first.leads, second.leads)
    for _ in range(5):  # the first lives and renews, as its scheduler does
        time.go_on(seconds=2)
        first._renew()
        second._renew()
    while_it_lives = (first.leads, second.leads)
    for _ in range(5):  # the first is dead
        time.go_on(seconds=2)
        second._renew()

    assert (at_first, while_it_lives, second.leads) == ((True, False), (True, False), True)


def test_a_leader_that_stops_hands_over_at_once(sqlite_store: SqliteStore, time: SetClock) -> None:
    """A graceful end gives the lease up, so nobody waits for its end."""
    first, second = (Rounds(sqlite_store, time.clock(), Settings(), NOBODY) for _ in range(2))
    first.start()
    first.stop()
    second._renew()

    assert second.leads


def test_a_silent_host_is_told_and_its_return_clears_it(sqlite_store: SqliteStore) -> None:
    """A host not heard of for days raises an alert; with its next report it clears."""
    with_alert(sqlite_store)
    listen_for_silence(sqlite_store, NOON + 30 * DAY)
    raised = _host_alerts(sqlite_store)
    take(sqlite_store, wire.status(NOON + 31 * DAY), at=NOON + 31 * DAY)
    for minutes in range(0, 60 * 24, 30):
        listen_for_silence(sqlite_store, NOON + 31 * DAY + timedelta(minutes=minutes))

    assert raised == [1]
    assert _host_alerts(sqlite_store) == [0]


def _host_alerts(store: Store) -> list[int]:
    rows = store.read(lambda tx: tx.query("SELECT is_open FROM alerts WHERE condition = 'silent_host'"))
    return [row["is_open"] for row in rows]


def test_thinning_changes_no_standing(store: Store) -> None:
    """Two hundred days on, what is past its retention is gone, and judged anew the standing is the same."""
    enrol(store, "host-1")
    assign(store)
    take(store, wire.inventory(NOON), wire.soak(NOON, 400e6), at=NOON + DAY)
    for days in range(1, 120, 3):
        at = NOON + days * DAY
        take(store, wire.probe(at, 900e6 - days * 1e6), wire.health(at), at=at + timedelta(hours=1))
    now = NOON + 221 * DAY
    judge_fleet(store, now, everything=True)
    before = drive(store)

    # As if nothing of it were open: the traces behind an open alert are kept.
    store.write(lambda tx: tx.run("UPDATE drives SET open_alerts = 0"))
    keep_within_retention(store, now, Settings())
    judge_fleet(store, now, everything=True)
    after = drive(store)

    judged = ("standing", "standing_json", "floor_bytes_per_s", "outlook_json", "causes_json")
    assert {name: before[name] for name in judged} == {name: after[name] for name in judged}
    left = store.read(
        lambda tx: tx.query("SELECT kind, COUNT(*) AS n FROM reports GROUP BY kind ORDER BY kind")
    )
    assert {row["kind"]: row["n"] for row in left} == {"probe": 1}  # the soak
    spots = store.read(lambda tx: tx.query("SELECT DISTINCT trace_kept FROM probes WHERE kind = 'spot'"))
    assert spots == [{"trace_kept": 0}]
    days_kept = store.read(lambda tx: tx.query("SELECT COUNT(*) AS n FROM health_days"))[0]["n"]
    assert days_kept == 40


def test_the_traces_behind_an_open_alert_are_kept(sqlite_store: SqliteStore) -> None:
    """While a drive has an open alert its spot traces stay, whatever their age."""
    with_alert(sqlite_store)
    take(sqlite_store, wire.probe(NOON + DAY, 90e6), at=NOON + 2 * DAY)
    keep_within_retention(sqlite_store, NOON + 400 * DAY, Settings())

    rows = sqlite_store.read(lambda tx: tx.query("SELECT trace_kept FROM probes WHERE kind = 'spot'"))
    assert rows == [{"trace_kept": 1}]


def test_findings_and_soaks_outlive_every_retention(sqlite_store: SqliteStore) -> None:
    """After ten years a soak has its trace and a finding its sentence."""
    enrol(sqlite_store, "host-1")
    take(sqlite_store, wire.inventory(NOON), wire.soak(NOON, 400e6), wire.finding(NOON), at=NOON + DAY)
    keep_within_retention(sqlite_store, NOON + 3_650 * DAY, Settings())

    with sqlite_store.tx() as tx:
        assert tx.query("SELECT kind, trace_kept FROM probes") == [{"kind": "soak", "trace_kept": 1}]
        assert len(tx.query("SELECT * FROM findings")) == 1
        kinds = [row["kind"] for row in tx.query("SELECT kind FROM reports ORDER BY kind")]
    assert kinds == ["finding", "probe"]
