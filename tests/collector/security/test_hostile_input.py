"""What a hostile caller may send over a real connection: a clear 4xx, and memory that stays bounded."""

import gzip
import json
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import psutil
import pytest
import requests

from tests.collector import wire
from tests.collector.serving import Served, enrol, serving

WARM_ROUNDS = 10  # [1] of four requests: more than twice the server's threads
GROWTH = 40_000_000  # [bytes] five of the largest bodies; what four rounds of bombs left behind would show
PEAK = 600_000_000  # [bytes] a body of 8 MB of empty objects is the dearest thing there is to read


class Target:
    """A running collector, a host's token and an admin's."""

    def __init__(self, served: Served, log: Path) -> None:
        assert served.admin_token is not None
        self.url, self.process, self.log = served.url, psutil.Process(served.process.pid), log
        self.admin = {"Authorization": f"Bearer {served.admin_token}"}
        self.host_id, token = enrol(served, served.admin_token)
        self.token = token
        self.agent = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}

    def post(self, data: bytes, **headers: str) -> requests.Response:
        """Send a body as the agent does."""
        return requests.post(
            f"{self.url}/v1/reports", data=data, headers={**self.agent, **headers}, timeout=60
        )

    def raw(self, head: str, body: bytes = b"") -> bytes:
        """Send bytes as they are and give the answer's first line and headers."""
        host, port = self.url.removeprefix("http://").split(":")
        with socket.create_connection((host, int(port)), timeout=30) as conn:
            conn.sendall(head.encode("latin-1") + body)
            return conn.recv(65_536)


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Target]:
    """One collector for this module, logging every request."""
    folder = tmp_path_factory.mktemp("hostile")
    with serving(folder / "data", "--verbose") as served:
        yield Target(served, folder / "data.log")


def report(target: Target, **more: object) -> dict[str, object]:
    """A good report with some fields replaced."""
    made = json.loads(wire.health(datetime.now(UTC), host_id=target.host_id).model_dump_json())
    return {**made, **more}


def peak_bytes(pid: int) -> int:
    """Give the most memory a process ever held [bytes]."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))


def bomb() -> bytes:
    """Two hundred megabytes of nothing in two hundred kilobytes, and packed once more inside."""
    return gzip.compress(b" " * 200_000_000, 9)


def test_bombs_leave_memory_where_it_was(target: Target) -> None:
    """Bombs, deep nesting and huge batches are refused; sent again and again they take no more memory."""
    packed = bomb()

    def round_of_all() -> list[int]:
        return [
            target.post(packed, **{"Content-Encoding": "gzip"}).status_code,
            target.post(b"[" * 4_000_000).status_code,
            target.post(b'{"a":' * 1_000_000 + b"1" + b"}" * 1_000_000).status_code,
            target.post(b'{"reports":[' + b"{}," * 2_000_000 + b"{}]}").status_code,
        ]

    # Each of the server's threads keeps room of its own once it has seen the worst; all must have seen it.
    statuses = [status for _ in range(WARM_ROUNDS) for status in round_of_all()]
    before = target.process.memory_info().rss
    for _ in range(4):
        statuses += round_of_all()
    after = target.process.memory_info().rss

    assert statuses == [413, 400, 400, 422] * (WARM_ROUNDS + 4)
    assert after - before < GROWTH
    assert peak_bytes(target.process.pid) < PEAK


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"null", 422),
        (b"[]", 422),
        (b'"text"', 422),
        (b'{"reports": []}', 422),
        (b'{"reports": {}}', 422),
        (b'{"reports": [1]}', 422),
        (b'{"reports": [{"a": NaN}]}', 400),
        (b'{"reports": [{"a": "\xff\xfe"}]}', 400),
        (b'{"reports": [{"a": "\xed\xa0\x80"}]}', 400),
        (b'{"reports": [{"a": "\\ud800"}]}', 400),
        (b'{"reports": [' + b"[" * 200 + b"]" * 200 + b"]}", 400),
        (b"\xef\xbb\xbf{}", 400),
        (b"{} {}", 400),
        (b"{'reports': []}", 400),
    ],
    ids=str,
)
def test_what_is_no_batch_is_a_4xx(target: Target, body: bytes, status: int) -> None:
    """Broken JSON is 400, JSON of another form 422, each a problem document."""
    answer = target.post(body)

    assert answer.status_code == status, answer.text
    assert answer.headers["Content-Type"] == "application/problem+json"


@pytest.mark.parametrize(
    "more",
    [
        {"sequence": 10**400},
        {"sequence": -1},
        {"sequence": 1e308},
        {"note": float("inf")},
        {"sequence": True},
        {"report_id": "../../etc/passwd"},
        {"report_id": "x" * 100_000},
        {"report_id": "a\u0000b"},
        {"made_at": "0000-00-00"},
        {"made_at": 1e300},
        {"wire_version": 10**9},
        {"host_id": "another"},
        {"body": {"kind": "nonsense"}},
        {"body": None},
    ],
    ids=str,
)
def test_a_report_beyond_bounds_is_refused_by_itself(target: Target, more: dict[str, object]) -> None:
    """One hostile report is refused with a sentence, the good one beside it goes in, nothing fails."""
    good = report(target)
    batch = {"reports": [report(target, **more), good]}
    answer = target.post(json.dumps(batch).replace("Infinity", "1e400").encode())

    assert answer.status_code in {200, 400}, answer.text
    if answer.status_code == 200:
        receipt = answer.json()
        assert receipt["accepted"] == [good["report_id"]]
        assert [bool(refused["problem"]) for refused in receipt["refused"]] == [True]


@pytest.mark.parametrize(
    "path",
    [
        "/v1/drives/..%2f..%2fetc%2fpasswd",
        "/v1/drives/%00",
        "/v1/drives/%ff",
        "/v1/drives/" + "a" * 5_000,
        "/v1/drives/a%0d%0aSet-Cookie:x",
        "/v1/kits/%2e%2e/readiness?format=x&hours=1",
        "/v1//drives",
        "/v1/drives/",
        "/problems/..%2f..%2fx",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/static/app.py",
    ],
)
def test_paths_lead_nowhere_else(target: Target, path: str) -> None:
    """A path that tries to climb, break a line or hide a byte is a 404 and nothing of it becomes a header."""
    line = f"GET {path} HTTP/1.1\r\nHost: x\r\nAuthorization: {target.admin['Authorization']}\r\n\r\n"
    answer = target.raw(line)

    assert answer.split(b" ", 2)[1] in {b"404", b"400", b"422"}, answer[:200]
    assert b"root:" not in answer
    assert b"set-cookie" not in answer.lower().split(b"\r\n\r\n")[0]


@pytest.mark.parametrize(
    "lines",
    [
        "Transfer-Encoding: chunked\r\nContent-Length: 5\r\n",
        "Content-Length: 5\r\nContent-Length: 6\r\n",
        "Content-Length: -1\r\n",
        "Content-Length: 1e3\r\n",
        "Transfer-Encoding: xchunked\r\n",
        "Bad Header: x\r\n",
        "X: " + "a" * 100_000 + "\r\n",
        " folded: x\r\n",
    ],
    ids=lambda text: text[:30],
)
def test_headers_that_smuggle_are_refused(target: Target, lines: str) -> None:
    """A request whose end two readers could see differently is refused and its connection closed."""
    head = f"POST /v1/enrolments/claim HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n{lines}\r\n"
    answer = target.raw(head, b"0\r\n\r\n")

    assert answer.split(b" ", 2)[1].startswith((b"4", b"5")), answer[:200]
    assert b"Traceback" not in answer


def test_a_forged_forwarded_address_is_not_believed(target: Target) -> None:
    """Without a trusted proxy, X-Forwarded-For changes nothing: the log names the real caller."""
    forged = {**target.admin, "X-Forwarded-For": "10.99.99.99", "Forwarded": "for=10.99.99.99"}
    assert requests.get(f"{target.url}/v1/fleet", headers=forged, timeout=10).status_code == 200

    assert "10.99.99.99" not in target.log.read_text()


def test_no_secret_is_in_the_log(target: Target) -> None:
    """After good and bad calls with tokens in headers, bodies and addresses, no log line holds one."""
    guess = "ebb_0123456789ab_this-is-a-guess-of-a-token"
    requests.get(f"{target.url}/v1/fleet", headers={"Authorization": f"Bearer {guess}"}, timeout=10)
    requests.get(f"{target.url}/v1/drives?contains={guess}&token={guess}", headers=target.admin, timeout=10)
    requests.get(f"{target.url}/v1/drives/{guess}", headers=target.admin, timeout=10)
    claim = {"enrol_token": guess, "host_name": "x", "system": "x", "machine_key": "mk-00000000"}
    requests.post(f"{target.url}/v1/enrolments/claim", json=claim, timeout=10)
    target.post(json.dumps({"reports": [report(target, report_id=guess)]}).encode())
    text = target.log.read_text()

    assert '"request"' in text
    for secret in (guess, target.token, target.admin["Authorization"].removeprefix("Bearer ")):
        assert secret.split("_", 2)[2] not in text


def test_a_caller_that_sends_a_byte_at_a_time_holds_nobody_up(target: Target) -> None:
    """Forty callers that trickle a header each leave the collector answering others."""
    host, port = target.url.removeprefix("http://").split(":")
    held = [socket.create_connection((host, int(port)), timeout=10) for _ in range(40)]
    try:
        for conn in held:
            conn.sendall(b"GET /live HT")
        assert requests.get(f"{target.url}/live", timeout=10).status_code == 200
        for conn in held:
            conn.sendall(b"T")
        assert requests.get(f"{target.url}/ready", timeout=10).status_code == 200
    finally:
        for conn in held:
            conn.close()
