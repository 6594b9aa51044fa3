"""TLS without a proxy: the collector answers https itself, and the agent enrols and delivers to it."""

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
import requests
import trustme

pytest.importorskip("granian", reason="the extra tls is not installed")
PROGRAMS = Path(sys.executable).parent


@dataclass
class Secured:
    """A collector that answers https, and how to trust it."""

    url: str
    ca_file: Path
    admin_token: str
    enrol_token: str


def _free_port() -> int:
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@pytest.fixture(scope="module")
def secured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Secured]:
    """A collector with a certificate made for the test."""
    folder = tmp_path_factory.mktemp("tls")
    authority = trustme.CA()
    certificate = authority.issue_cert("127.0.0.1")
    authority.cert_pem.write_to_path(str(folder / "ca.pem"))
    certificate.private_key_pem.write_to_path(str(folder / "key.pem"))
    certificate.cert_chain_pems[0].write_to_path(str(folder / "cert.pem"))
    # granian reads PKCS#8 only; openssl's own command turns a key into it.
    subprocess.run(
        ["openssl", "pkcs8", "-topk8", "-nocrypt", "-in", folder / "key.pem", "-out", folder / "key8.pem"],
        check=True,
    )
    config = folder / "collector.toml"
    config.write_text(
        f'[serve]\ntls_certificate_file = "{folder}/cert.pem"\ntls_key_file = "{folder}/key8.pem"\n'
    )
    where = ["--data", str(folder / "data"), "--config", str(config)]
    collector = str(PROGRAMS / "ebbmark-collector")
    process = subprocess.Popen(
        [collector, "serve", *where, "--listen", f"127.0.0.1:{_free_port()}"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        assert process.stdout is not None
        admin_token = url = ""
        for line in process.stdout:
            if line.startswith("admin token: "):
                admin_token = line.split()[-1]
            if line.startswith("listening on "):
                url = line.split()[-1]
                break
        made = subprocess.run([collector, "enrol-token", *where], capture_output=True, text=True, check=True)
        yield Secured(
            url=url,
            ca_file=folder / "ca.pem",
            admin_token=admin_token,
            enrol_token=made.stdout.split("enrol token: ")[1].split()[0],
        )
    finally:
        process.terminate()
        assert process.wait(timeout=60) == 0
        assert process.stdout is not None
        process.stdout.close()


def test_an_agent_enrols_and_delivers_over_tls(secured: Secured, tmp_path: Path) -> None:
    """With the house's certificates named in its settings, the real agent enrols and its reports arrive."""
    (tmp_path / "token").write_text(secured.enrol_token)
    (tmp_path / "agent.toml").write_text(
        f'state_dir = "{tmp_path}/state"\n[collector]\nca_file = "{secured.ca_file}"\n'
        "[limits]\nquiet_s = 1.0\n"
    )
    agent = [str(PROGRAMS / "ebbmark-agent"), "--settings", str(tmp_path / "agent.toml")]
    for more in (
        ("enrol", "--collector", secured.url, "--token-file", str(tmp_path / "token"), "--name", "cut-8"),
        ("run", "--one-round"),
    ):
        subprocess.run([*agent, *more], check=True, capture_output=True)
    hosts = requests.get(
        f"{secured.url}/v1/hosts",
        headers={"Authorization": f"Bearer {secured.admin_token}"},
        verify=str(secured.ca_file),
        timeout=20,
    ).json()["items"]

    assert secured.url.startswith("https://")
    assert [(host["name"], host["last_report_at"] is not None) for host in hosts] == [("cut-8", True)]


def test_plain_http_gets_no_answer_there(secured: Secured) -> None:
    """A caller who forgot the s hears nothing that could be mistaken for the collector."""
    with pytest.raises(requests.ConnectionError):
        requests.get(secured.url.replace("https:", "http:") + "/live", timeout=20)
