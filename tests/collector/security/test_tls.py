"""TLS without a proxy: who is silent holds nobody up, what has arrived is answered, a wrong pair is told."""

import contextlib
import json
import os
import signal
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import requests
import trustme
from click.testing import CliRunner
from ebbmark_collector.cli import main
from ebbmark_collector.server import check_listen
from ebbmark_collector.settings import ServeSettings

from tests.collector import wire
from tests.collector.serving import start

pytest.importorskip("granian", reason="the extra `tls` is not installed")
SILENT = 300  # [1] connections, many more than there are threads


@dataclass(frozen=True, kw_only=True)
class Papers:
    """An authority of the test's own and a certificate from it."""

    ca: Path
    config: Path
    port: int

    @property
    def url(self) -> str:
        """Give where the collector is."""
        return f"https://127.0.0.1:{self.port}"

    def get(self, path: str, **more: object) -> requests.Response:
        """Ask, trusting that authority only."""
        return requests.get(f"{self.url}{path}", verify=str(self.ca), timeout=20, **more)  # type: ignore[arg-type]


def free_port() -> int:
    """Give a port nobody listens on just now."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return int(held.getsockname()[1])


@pytest.fixture
def papers(tmp_path: Path) -> Papers:
    """Certificate, key and configuration."""
    authority = trustme.CA()
    issued = authority.issue_cert("127.0.0.1")
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    issued.private_key_pem.write_to_path(str(tmp_path / "key.pem"))
    (tmp_path / "cert.pem").write_bytes(b"".join(blob.bytes() for blob in issued.cert_chain_pems))
    config = tmp_path / "collector.toml"
    config.write_text(
        f'[serve]\ntls_certificate_file = "{tmp_path}/cert.pem"\ntls_key_file = "{tmp_path}/key.pem"\n'
        "tls_threads = 16\n"
    )
    return Papers(ca=tmp_path / "ca.pem", config=config, port=free_port())


@pytest.fixture
def served(papers: Papers, tmp_path: Path) -> Iterator[tuple[Papers, "subprocess.Popen[str]", str]]:
    """A collector that answers https itself."""
    running = start(tmp_path / "data", "--config", str(papers.config), "--listen", f"127.0.0.1:{papers.port}")
    assert running.admin_token is not None
    try:
        yield papers, running.process, running.admin_token
    finally:
        if running.process.poll() is None:
            running.process.send_signal(signal.SIGTERM)
        running.process.wait(timeout=40)
        assert running.process.stdout is not None
        running.process.stdout.close()


def _speaks_tls_1_1(port: int) -> bool:
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname = False
    old.verify_mode = ssl.CERT_NONE
    old.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
    with socket.create_connection(("127.0.0.1", port), timeout=10) as plain:
        try:
            old.wrap_socket(plain)
        except OSError:
            return False
    return True


def test_who_says_nothing_holds_nobody_up(
    served: tuple[Papers, "subprocess.Popen[str]", str],
) -> None:
    """Hundreds that never begin or finish their handshake, and idle ones, cost others nothing."""
    papers, process, _ = served
    held = [socket.create_connection(("127.0.0.1", papers.port), timeout=10) for _ in range(SILENT)]
    for conn in held[::2]:
        conn.sendall(b"\x16\x03\x01\x02\x00\x01")  # the first bytes of a hello, RFC 8446, section 5.1
    context = ssl.create_default_context(cafile=str(papers.ca))
    idle = [
        context.wrap_socket(
            socket.create_connection(("127.0.0.1", papers.port), timeout=10), server_hostname="127.0.0.1"
        )
        for _ in range(20)
    ]
    stalled = idle[0]
    stalled.sendall(b"POST /v1/holds HTTP/1.1\r\nHost: x\r\nContent-Length: 900\r\n\r\nhalf")
    try:
        assert papers.get("/live").status_code == 200
        assert papers.get("/ready").status_code == 200
        with pytest.raises(requests.RequestException):
            requests.get(f"http://127.0.0.1:{papers.port}/live", timeout=10)  # a caller that forgot the s
        assert not _speaks_tls_1_1(papers.port)
    finally:
        for conn in (*held, *idle):
            conn.close()
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=40) == 0


THREADS = 4  # [1]


def _stalled(papers: Papers, token: str) -> ssl.SSLSocket:
    """A caller with a good token who sends half a body and falls silent."""
    context = ssl.create_default_context(cafile=str(papers.ca))
    plain = socket.create_connection(("127.0.0.1", papers.port), timeout=20)
    conn = context.wrap_socket(plain, server_hostname="127.0.0.1")
    head = f"POST /v1/holds HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {token}\r\n"
    conn.sendall(f"{head}Content-Type: application/json\r\nContent-Length: 900\r\n\r\nhalf".encode())
    return conn


def test_stalled_bodies_on_every_thread_end_by_the_watchdog(papers: Papers, tmp_path: Path) -> None:
    """Callers with a token who stall hold a thread each; with all held no sign of life goes out any more."""
    papers.config.write_text(papers.config.read_text().replace("= 16", f"= {THREADS}"))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(60)
        running = start(
            tmp_path / "data",
            *("--config", str(papers.config), "--listen", f"127.0.0.1:{papers.port}"),
            env={**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "3000000"},
        )
        stalled: list[ssl.SSLSocket] = []
        try:
            before = [manager.recv(4096) for _ in range(2)]
            stalled += [_stalled(papers, str(running.admin_token)) for _ in range(THREADS - 1)]
            served_beside = papers.get("/live").status_code
            stalled.append(_stalled(papers, str(running.admin_token)))
            threading.Event().wait(2.0)  # what was under way has been said
            manager.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                while True:
                    manager.recv(4096)
            manager.settimeout(6.0)  # two deadlines
            try:
                heard = manager.recv(4096)
            except TimeoutError:
                heard = b""
            for conn in stalled:
                conn.close()
            manager.settimeout(60)
            after = manager.recv(4096)
        finally:
            running.process.send_signal(signal.SIGTERM)
            running.process.wait(timeout=40)
            assert running.process.stdout is not None
            running.process.stdout.close()

    assert before[1] == b"WATCHDOG=1"
    assert served_beside == 200
    assert heard == b""
    assert after == b"WATCHDOG=1"


def test_a_report_in_flight_is_acknowledged_before_the_end(
    served: tuple[Papers, "subprocess.Popen[str]", str],
) -> None:
    """Over TLS too, SIGTERM lets what is half received finish; then nobody is let in."""
    papers, process, admin = served
    header = {"Authorization": f"Bearer {admin}"}
    soon = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    made = requests.post(
        f"{papers.url}/v1/enrol-tokens",
        json={"label": "t", "quota": 1, "expires_at": soon},
        headers=header,
        verify=str(papers.ca),
        timeout=20,
    ).json()
    claim = {"enrol_token": made["token"], "host_name": "a", "system": "Linux", "machine_key": "mk-12345678"}
    claimed = requests.post(
        f"{papers.url}/v1/enrolments/claim", json=claim, verify=str(papers.ca), timeout=20
    ).json()
    report = wire.health(datetime.now(UTC), host_id=claimed["host_id"])
    body = json.dumps({"reports": [json.loads(report.model_dump_json())]}).encode()
    context = ssl.create_default_context(cafile=str(papers.ca))
    plain = socket.create_connection(("127.0.0.1", papers.port), timeout=20)
    with context.wrap_socket(plain, server_hostname="127.0.0.1") as conn:
        head = (
            f"POST /v1/reports HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {claimed['agent_token']}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\nConnection: close\r\n\r\n"
        )
        conn.sendall(head.encode() + body[:50])
        threading.Event().wait(0.5)
        process.send_signal(signal.SIGTERM)
        threading.Event().wait(0.3)
        conn.sendall(body[50:])
        answer = b""
        while part := conn.recv(65_536):
            answer += part

    assert answer.startswith(b"HTTP/1.1 200"), answer[:300]
    assert report.report_id.encode() in answer
    assert process.wait(timeout=40) == 0
    with pytest.raises(requests.ConnectionError):
        papers.get("/live")


@pytest.mark.parametrize("words", [["validate"], ["serve", "--data", "{}/d", "--listen", "127.0.0.1:1"]])
def test_a_wrong_pair_is_a_sentence(papers: Papers, tmp_path: Path, words: list[str]) -> None:
    """A key of another certificate is told at the start and by `validate`, with the setting's name."""
    trustme.CA().issue_cert("127.0.0.1").private_key_pem.write_to_path(str(tmp_path / "key.pem"))
    given = [word.format(tmp_path) for word in words]
    ended = CliRunner().invoke(main, [*given, "--config", str(papers.config)])

    assert ended.exit_code == 20
    assert "serve.tls_certificate_file" in ended.stderr


def test_with_tls_it_may_listen_beyond_loopback() -> None:
    """Plain HTTP there must be said; https need not."""
    check_listen(ServeSettings(listen="0.0.0.0:8460", tls_certificate_file=Path("x"), tls_key_file=Path("y")))
