"""The real server: first run, a graceful end, stalled callers, kill -9 under load."""

import json
import random
import signal
import socket
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
import requests
from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.server import check_listen
from ebbmark_collector.settings import ServeSettings
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.serving import Served, enrol, serving, start


def pause(seconds: float) -> None:
    """Let some time pass."""
    threading.Event().wait(seconds)


def test_the_first_run_prints_an_admin_token_once(tmp_path: Path) -> None:
    """The first start prints one line with an admin token that works; the second prints none."""
    data = tmp_path / "data"
    with serving(data) as first:
        assert first.admin_token is not None
        fleet = requests.get(f"{first.url}/v1/fleet", headers=first.as_admin(first.admin_token), timeout=10)
        assert fleet.status_code == 200
        assert first.end() == 0
    with serving(data) as second:
        assert second.admin_token is None
        assert second.end() == 0
    assert data.stat().st_mode & 0o777 == 0o700
    assert (data / "collector.db").stat().st_mode & 0o777 == 0o600


def test_live_ready_and_description_need_no_token(tmp_path: Path) -> None:
    """A supervisor may ask whether it lives and is ready, and anybody may read its description."""
    with serving(tmp_path / "data") as served:
        answers = [
            requests.get(f"{served.url}/{path}", timeout=10) for path in ("live", "ready", "openapi.json")
        ]

        assert [answer.status_code for answer in answers] == [200, 200, 200]
        assert "3.1" in answers[2].json()["openapi"]


def _send_slowly(served: Served, token: str, body: bytes, halfway: threading.Event) -> bytes:
    host, port = served.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=20) as conn:
        head = (
            f"POST /v1/reports HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\nConnection: close\r\n\r\n"
        )
        conn.sendall(head.encode() + body[: len(body) // 2])
        halfway.set()
        pause(1.0)
        conn.sendall(body[len(body) // 2 :])
        answer = b""
        while part := conn.recv(65_536):
            answer += part
    return answer


def test_sigterm_finishes_what_is_in_flight(tmp_path: Path) -> None:
    """A report half received when the end is asked for is taken in and acknowledged first."""
    data = tmp_path / "data"
    with serving(data) as served:
        assert served.admin_token is not None
        host_id, token = enrol(served, served.admin_token)
        report = wire.health(datetime.now(UTC), host_id=host_id)
        body = json.dumps({"reports": [json.loads(report.model_dump_json())]}).encode()
        halfway, answers = threading.Event(), []
        sender = threading.Thread(
            target=lambda: answers.append(_send_slowly(served, token, body, halfway)), daemon=True
        )
        sender.start()
        halfway.wait(timeout=10)
        pause(0.3)
        code = served.end(signal.SIGTERM)
        sender.join(timeout=20)

    assert code == 0
    assert answers[0].startswith(b"HTTP/1.1 200"), answers[0][:300]
    assert report.report_id.encode() in answers[0]
    store = SqliteStore(data / "collector.db")
    assert len(store.read(lambda tx: tx.query("SELECT report_id FROM report_ids"))) == 1
    store.close()


def test_nobody_is_let_in_once_the_end_is_asked_for(tmp_path: Path) -> None:
    """After the signal no new connection is taken."""
    with serving(tmp_path / "data") as served:
        assert served.end(signal.SIGTERM) == 0
        with pytest.raises(requests.ConnectionError):
            requests.get(f"{served.url}/live", timeout=5)


def test_stalled_bodies_hold_nobody_up(tmp_path: Path) -> None:
    """Twenty callers that send half a body and fall silent do not keep another from being served."""
    with serving(tmp_path / "data") as served:
        host, port = served.url.removeprefix("http://").split(":")
        stalled = []
        for _ in range(20):
            conn = socket.create_connection((host, int(port)), timeout=10)
            conn.sendall(b"POST /v1/reports HTTP/1.1\r\nHost: x\r\nContent-Length: 1000\r\n\r\nhalf")
            stalled.append(conn)
        answer = requests.get(f"{served.url}/live", timeout=5)
        for conn in stalled:
            conn.close()

    assert answer.status_code == 200


def test_a_body_beyond_the_limit_is_a_problem(tmp_path: Path) -> None:
    """A body that states a size beyond the limit is refused with 413 before it is read."""
    with serving(tmp_path / "data") as served:
        host, port = served.url.removeprefix("http://").split(":")
        with socket.create_connection((host, int(port)), timeout=10) as conn:
            conn.sendall(
                b"POST /v1/enrolments/claim HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
            )
            conn.sendall(b"Content-Length: 900000000\r\n\r\n")
            answer = conn.recv(4096)

    assert b" 413 " in answer.split(b"\r\n", 1)[0]


@pytest.mark.parametrize(
    ("listen", "said", "fine"),
    [
        ("127.0.0.1:0", False, True),
        ("[::1]:0", False, True),
        ("localhost:80", False, True),
        ("0.0.0.0:80", False, False),
        ("10.1.2.3:80", False, False),
        ("0.0.0.0:80", True, True),
        ("nonsense", False, False),
    ],
)
def test_plain_http_beyond_loopback_must_be_said(listen: str, said: bool, fine: bool) -> None:
    """Tokens do not travel readable unless the operator said that the network is closed."""
    settings = ServeSettings(listen=listen, plain_http_beyond_loopback=said)

    if fine:
        check_listen(settings)
    else:
        with pytest.raises(ConfigurationError, match=r"serve\.listen"):
            check_listen(settings)


def test_a_port_in_use_is_told(tmp_path: Path) -> None:
    """A port that somebody else holds is a sentence and an exit code, not a traceback."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        port = held.getsockname()[1]
        command = [sys.executable, "-m", "ebbmark_collector.cli", "serve", "--data", str(tmp_path / "d")]
        ended = subprocess.run(
            [*command, "--listen", f"127.0.0.1:{port}"],
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )

    assert ended.returncode == 20
    assert "cannot be used" in ended.stderr
    assert "Traceback" not in ended.stderr


KILLS = 6  # [1] of the process, at random moments under load


def test_nothing_acknowledged_over_http_is_lost_to_kill_nine(tmp_path: Path) -> None:
    """Killed at random moments under load, the collector has every acknowledged report, and none twice."""
    data, chance = tmp_path / "data", random.Random(20_260_302)
    acknowledged: set[str] = set()
    served = start(data)
    assert served.admin_token is not None
    host_id, token = enrol(served, served.admin_token)
    headers = {"Authorization": f"Bearer {token}"}
    for kill in range(KILLS):
        end_now, under_load = threading.Event(), threading.Event()

        def send(
            served: Served = served,
            end_now: threading.Event = end_now,
            under_load: threading.Event = under_load,
        ) -> None:
            with requests.Session() as session:
                while not end_now.is_set():
                    batch = [
                        json.loads(wire.health(datetime.now(UTC), host_id=host_id).model_dump_json())
                        for _ in range(3)
                    ]
                    try:
                        answer = session.post(
                            f"{served.url}/v1/reports", json={"reports": batch}, headers=headers, timeout=5
                        )
                    except requests.RequestException:
                        return
                    if answer.status_code == 200:
                        acknowledged.update(answer.json()["accepted"])
                        under_load.set()

        senders = [threading.Thread(target=send) for _ in range(3)]
        for sender in senders:
            sender.start()
        assert under_load.wait(30), "no report was acknowledged"
        pause(chance.uniform(0.0, 0.25))
        served.process.kill()
        end_now.set()
        for sender in senders:
            sender.join(timeout=20)
        served.process.wait(timeout=20)
        assert served.process.stdout is not None
        served.process.stdout.close()
        if kill < KILLS - 1:
            served = start(data)
    store = SqliteStore(data / "collector.db")
    kept = [row["report_id"] for row in store.read(lambda tx: tx.query("SELECT report_id FROM reports"))]
    known = [row["report_id"] for row in store.read(lambda tx: tx.query("SELECT report_id FROM report_ids"))]
    check = store.read(lambda tx: tx.query("PRAGMA integrity_check"))
    store.close()

    assert acknowledged <= set(kept)
    assert len(kept) == len(set(kept))
    assert sorted(kept) == sorted(known)
    assert len(acknowledged) >= KILLS
    assert check == [{"integrity_check": "ok"}]


def test_nothing_the_intake_accepted_is_lost_to_many_kills(tmp_path: Path) -> None:
    """Sixty processes killed at random moments inside the intake leave every accepted report, whole."""
    script = Path(__file__).with_name("kill_loop.py")
    ended = subprocess.run(
        [sys.executable, str(script), str(tmp_path / "collector.db"), "60"],
        capture_output=True,
        text=True,
        timeout=200,
        check=True,
        cwd=Path(__file__).parents[3],
    )
    accepted = set(json.loads(ended.stdout))
    store = SqliteStore(tmp_path / "collector.db")
    with store.tx() as tx:
        kept = [row["report_id"] for row in tx.query("SELECT report_id FROM reports")]
        known = [row["report_id"] for row in tx.query("SELECT report_id FROM report_ids")]
        probes = [row["report_id"] for row in tx.query("SELECT report_id FROM probes")]
        open_now = tx.query("SELECT COUNT(*) AS n FROM alerts WHERE is_open = 1")[0]["n"]
        shown = tx.query("SELECT open_alerts FROM drives")[0]["open_alerts"]
        loose = tx.query(
            "SELECT alert_id FROM alerts WHERE times_raised > 0 AND alert_id NOT IN "
            "(SELECT alert_id FROM alert_transitions)"
        )
        check = tx.query("PRAGMA integrity_check")
    store.close()

    assert len(accepted) > 60
    assert accepted <= set(kept)
    assert len(kept) == len(set(kept))
    assert sorted(kept) == sorted(known)
    assert {one for one in kept if one.startswith("probe-")} == set(probes)
    assert open_now == shown
    assert loose == []
    assert check == [{"integrity_check": "ok"}]
