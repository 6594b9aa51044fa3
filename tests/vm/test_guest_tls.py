"""The collector answering https itself, under its hardened unit, with systemd as PID 1."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import trustme

from tests.rigs.guest import run_guest
from tests.rigs.lock import rig_lock
from tests.vm.test_guest_service import JOB, pack_bundle

pytestmark = pytest.mark.vm
GUEST_PYTHON = "3.11"


def _wheel_of_the_extra(folder: Path) -> list[Path]:
    """Fetch the server for TLS as the guest's Python takes it."""
    pip = (sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--only-binary=:all:")
    subprocess.run(
        [*pip, "--python-version", GUEST_PYTHON, "-d", str(folder), "granian"], check=True, timeout=120
    )
    return list(folder.glob("*.whl"))


@pytest.fixture(scope="module")
def seen(guest: None, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Start, ask and stop it in one guest, and give what was seen there."""
    authority = trustme.CA()
    issued = authority.issue_cert("127.0.0.1")
    wheels = _wheel_of_the_extra(tmp_path_factory.mktemp("extra"))
    bundle = pack_bundle(tmp_path_factory.mktemp("bundle"), wheels=wheels)
    with rig_lock():
        run = run_guest(
            tmp_path_factory.mktemp("tls"),
            JOB,
            systemd=True,
            files={
                "bundle.tar": bundle,
                "driver.py": (Path(__file__).parent / "tls_driver.py").read_bytes(),
                "ca.pem": authority.cert_pem.bytes(),
                "tls.pem": b"".join(blob.bytes() for blob in issued.cert_chain_pems),
                "tls.key": issued.private_key_pem.bytes(),
            },
        )
    document: dict[str, Any] = run.document("seen.json")
    assert "broken_off" not in document, (document["broken_off"], document["journal"][-2000:])
    assert "ended_badly" not in document, document["ended_badly"]
    return document


def test_it_is_ready_and_answers_over_https(seen: dict[str, Any]) -> None:
    """Hardened as it is the unit becomes active, and its answers bear the certificate it was given."""
    assert seen["started"]["ActiveState"] == "active"
    assert seen["started"]["StatusText"] == "taking in reports"
    assert [seen[path][0] for path in ("live", "ready", "v1/fleet")] == [200, 200, 200]


def test_the_watchdog_is_satisfied_over_tls(seen: dict[str, Any]) -> None:
    """Signs of life go on, and nothing was started anew."""
    assert int(seen["later"]["WatchdogTimestampMonotonic"]) > int(
        seen["started"]["WatchdogTimestampMonotonic"]
    )
    assert seen["later"]["NRestarts"] == "0"


def test_it_stops_by_itself(seen: dict[str, Any]) -> None:
    """Told to stop it ends with code 0."""
    assert (seen["stopped"]["ActiveState"], seen["stopped"]["Result"]) == ("inactive", "success")
    assert seen["stopped"]["ExecMainStatus"] == "0"
