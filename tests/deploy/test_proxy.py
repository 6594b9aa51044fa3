"""The reverse proxy example, started in front of a real collector, with certificates made for the test."""

import os
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import requests
import trustme
from requests.adapters import HTTPAdapter

from tests.collector.serving import Served, serving

NGINX = shutil.which("nginx", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
pytestmark = pytest.mark.skipif(
    NGINX is None, reason="nginx is not installed (make test installs it where it may)"
)
AGENT = str(Path(sys.executable).with_name("ebbmark-agent"))
CLIENT = "127.0.0.9"  # an address of this machine other than the proxy's


@dataclass
class Proxied:
    """A collector behind the proxy."""

    served: Served
    url: str
    ca_file: Path
    admin_token: str

    def ask(self, method: str, path: str, *, body: object = None, **headers: str) -> requests.Response:
        """Ask through the proxy, from the client's address."""
        return _from_address(CLIENT).request(
            method, self.url + path, json=body, headers=headers, verify=str(self.ca_file), timeout=20
        )


class _Bound(HTTPAdapter):
    def __init__(self, address: str) -> None:
        self._address = address
        super().__init__()

    def init_poolmanager(self, *args: object, **kwargs: object) -> None:
        super().init_poolmanager(*args, source_address=(self._address, 0), **kwargs)  # type: ignore[arg-type]


def _from_address(address: str) -> requests.Session:
    session = requests.Session()
    session.mount("http://", _Bound(address))
    session.mount("https://", _Bound(address))
    return session


def _free_port() -> int:
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


def _await_listener(port: int, process: "subprocess.Popen[bytes]") -> None:
    pause = threading.Event()
    for _ in range(200):
        assert process.poll() is None, process.returncode
        with closing(socket.socket()) as trial:
            if trial.connect_ex(("127.0.0.1", port)) == 0:
                return
        pause.wait(0.05)
    raise AssertionError("nginx does not listen")


@contextmanager
def _nginx(deploy: Path, folder: Path, collector: str) -> Iterator[tuple[str, Path]]:
    authority = trustme.CA()
    certificate = authority.issue_cert("127.0.0.1", "localhost")
    ca_file, pair = folder / "ca.pem", folder / "pair.pem"
    authority.cert_pem.write_to_path(str(ca_file))
    certificate.private_key_and_cert_chain_pem.write_to_path(str(pair))
    run, port = folder / "nginx", _free_port()
    run.mkdir()
    text = (deploy / "proxy" / "nginx.conf").read_text()
    for name, value in {
        "LISTEN": f"127.0.0.1:{port}",
        "NAME": "localhost",
        "CERTIFICATE": pair,
        "KEY": pair,
        "COLLECTOR": collector.removeprefix("http://"),
        "RUN": run,
    }.items():
        text = text.replace(f"@{name}@", str(value))
    (folder / "nginx.conf").write_text(text)
    assert NGINX is not None
    # Root's nginx would work as a user who may not enter a test's folder.
    as_root = "user root; " if os.geteuid() == 0 else ""
    argv = [NGINX, "-e", str(run / "error.log"), "-c", str(folder / "nginx.conf")]
    process = subprocess.Popen([*argv, "-g", f"{as_root}daemon off;"])
    try:
        _await_listener(port, process)
        yield f"https://127.0.0.1:{port}", ca_file
    finally:
        process.terminate()
        process.wait(timeout=20)


@contextmanager
def _proxied(deploy: Path, folder: Path, *, trusted: bool = True) -> Iterator[Proxied]:
    config = folder / "collector.toml"
    config.write_text('[serve]\ntrusted_proxy = "127.0.0.1"\n' if trusted else "")
    with serving(folder / "data", "--config", str(config)) as served:
        assert served.admin_token is not None
        with _nginx(deploy, folder, served.url) as (url, ca_file):
            yield Proxied(served=served, url=url, ca_file=ca_file, admin_token=served.admin_token)


@pytest.fixture(scope="module")
def proxied(deploy: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    """A collector behind the proxy that it trusts."""
    with _proxied(deploy, tmp_path_factory.mktemp("proxied")) as behind:
        yield behind


def _enrol_token(behind: Proxied, *, network: str | None = None, quota: int = 1) -> str:
    made = behind.ask(
        "POST",
        "/v1/enrol-tokens",
        body={
            "label": "editing floor",
            "quota": quota,
            "expires_at": (datetime.now(UTC) + timedelta(hours=1)).isoformat(),
            **({"network": network} if network else {}),
        },
        Authorization=f"Bearer {behind.admin_token}",
    )
    assert made.status_code == 201, made.text
    return str(made.json()["token"])


def _claim(token: str, *, name: str, key: str) -> dict[str, str]:
    return {"enrol_token": token, "host_name": name, "system": "Linux", "machine_key": key}


def test_an_agent_enrols_and_delivers_through_the_proxy(proxied: Proxied, tmp_path: Path) -> None:
    """The real agent, trusting the house's certificates, enrols over TLS and its reports arrive."""
    (tmp_path / "token").write_text(_enrol_token(proxied))
    (tmp_path / "agent.toml").write_text(
        f'state_dir = "{tmp_path}/state"\n[collector]\nca_file = "{proxied.ca_file}"\n'
        "[limits]\nquiet_s = 1.0\n"
    )
    agent = [AGENT, "--settings", str(tmp_path / "agent.toml")]
    told = [
        subprocess.run([*agent, *more], capture_output=True, text=True, check=False)
        for more in (
            ("enrol", "--collector", proxied.url, "--token-file", str(tmp_path / "token"), "--name", "cut-7"),
            ("run", "--one-round"),
        )
    ]
    assert [one.returncode for one in told] == [0, 0], [one.stderr for one in told]
    hosts = proxied.ask("GET", "/v1/hosts", Authorization=f"Bearer {proxied.admin_token}").json()["items"]
    (host,) = [one for one in hosts if one["name"] == "cut-7"]

    assert host["last_report_at"] is not None


def test_an_agent_refuses_a_certificate_it_does_not_know(proxied: Proxied, tmp_path: Path) -> None:
    """Without the house's certificates the agent does not hand its enrolment token over."""
    (tmp_path / "token").write_text(_enrol_token(proxied))
    (tmp_path / "agent.toml").write_text(f'state_dir = "{tmp_path}/state"\n')
    told = subprocess.run(
        [
            *(AGENT, "--settings", str(tmp_path / "agent.toml"), "enrol"),
            *("--collector", proxied.url, "--token-file", str(tmp_path / "token")),
        ],
        capture_output=True,
        text=True,
        check=False,
    )

    assert told.returncode != 0
    assert "certificate" in told.stderr


def test_the_collector_sees_the_client_behind_a_trusted_proxy(proxied: Proxied) -> None:
    """A token for one network lets in a client of that network, though the connection is the proxy's."""
    token = _enrol_token(proxied, network=f"{CLIENT}/32")
    claimed = proxied.ask("POST", "/v1/enrolments/claim", body=_claim(token, name="cut-1", key="mk-00000001"))

    assert claimed.status_code == 201, claimed.text


def test_what_a_client_says_of_its_own_address_ends_at_the_proxy(proxied: Proxied) -> None:
    """A client that claims another address by header is still judged by its own."""
    token = _enrol_token(proxied, network="10.20.0.0/16")
    claimed = proxied.ask(
        "POST",
        "/v1/enrolments/claim",
        body=_claim(token, name="cut-2", key="mk-00000002"),
        **{"X-Forwarded-For": "10.20.0.5", "Forwarded": "for=10.20.0.5"},
    )

    assert claimed.status_code == 403


def test_a_caller_past_the_proxy_cannot_name_an_address(proxied: Proxied) -> None:
    """Straight to the collector, from an address that is not the proxy's, the header counts for nothing."""
    token = _enrol_token(proxied, network="10.20.0.0/16")
    claimed = _from_address("127.0.0.7").post(
        f"{proxied.served.url}/v1/enrolments/claim",
        json=_claim(token, name="cut-3", key="mk-00000003"),
        headers={"X-Forwarded-For": "10.20.0.5"},
        timeout=20,
    )

    assert claimed.status_code == 403


def test_without_the_setting_no_proxy_is_believed(deploy: Path, tmp_path: Path) -> None:
    """Where the proxy is not named in the settings, its client's network is not seen and the claim fails."""
    with _proxied(deploy, tmp_path, trusted=False) as behind:
        token = _enrol_token(behind, network=f"{CLIENT}/32")
        claimed = behind.ask(
            "POST", "/v1/enrolments/claim", body=_claim(token, name="cut-4", key="mk-00000004")
        )

    assert claimed.status_code == 403


def test_the_proxy_speaks_no_plain_http(proxied: Proxied) -> None:
    """Plain HTTP to the TLS port is refused."""
    answer = requests.get(proxied.url.replace("https:", "http:") + "/live", timeout=20)

    assert answer.status_code == 400
