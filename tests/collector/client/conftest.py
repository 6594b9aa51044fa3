"""A real collector with two drives, and the client as an admin runs it."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
from click.testing import CliRunner, Result
from ebbmark_collector.client import main

from tests.collector import wire
from tests.collector.serving import Served, enrol, serving

GOOD = wire.OWN.model_copy(update={"serial": "GOOD0000001", "wwn": "5000c50000000001"})
SLOW = wire.OWN.model_copy(
    update={"serial": "SLOW0000002", "wwn": "5000c50000000002", "model": "\x1b[2JInvented"}
)

# Each for the one test that changes it.
TAGGED, HURT, LEFT = (
    wire.OWN.model_copy(update={"serial": f"{name}000000{n}", "wwn": f"5000c5000000000{n}"})
    for n, name in ((3, "TAGS"), (4, "HURT"), (5, "LEFT"))
)


@dataclass(frozen=True, kw_only=True)
class Studio:
    """A running collector and a token file of each kind."""

    served: Served
    admin: Path
    viewer: Path
    host_id: str

    def run(self, *words: str, token_file: Path | None = None, columns: int = 80) -> Result:
        """Run the client as from a shell."""
        env = {
            "EBBMARK_ADDRESS": self.served.url,
            "EBBMARK_TOKEN_FILE": str(token_file or self.admin),
            "EBBMARK_TOKEN": None,
            "XDG_CONFIG_HOME": str(self.admin.parent / "nothing"),
            "COLUMNS": str(columns),
        }
        return CliRunner().invoke(main, list(words), env=env)

    def json(self, *words: str) -> Any:
        """Run the client with `--json` and read what it printed."""
        done = self.run(*words, "--json")
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)


def token_file(folder: Path, name: str, text: str) -> Path:
    """Write a token where only its owner reads it."""
    path = folder / name
    path.write_text(text + "\n")
    path.chmod(0o600)
    return path


def _post(served: Served, token: str, path: str, body: dict[str, Any]) -> dict[str, Any]:
    answer = requests.post(
        f"{served.url}{path}", json=body, headers={"Authorization": f"Bearer {token}"}, timeout=10
    )
    assert answer.ok, answer.text
    found: dict[str, Any] = answer.json()
    return found


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    """One drive that carries 300 MB/s and one that carries 30, both soaked, both asked for 268 MB/s."""
    folder = tmp_path_factory.mktemp("client")
    with serving(folder / "data") as served:
        assert served.admin_token is not None
        admin = served.admin_token
        host_id, agent = enrol(served, admin)
        now = datetime.now(UTC) - timedelta(hours=1)
        rule = {"matched_by": "serial", "pattern": "*0000*", "role": "field-recorder"}
        _post(served, admin, "/v1/assignments", rule)
        reports = [
            wire.inventory(now, identities=[GOOD, SLOW, TAGGED, HURT, LEFT], host_id=host_id),
            wire.soak(now, 300e6, host_id=host_id, on=wire.subject(GOOD)),
            wire.soak(now, 30e6, host_id=host_id, on=wire.subject(SLOW, ref="d1", volume_id="vol-1-1")),
        ]
        batch = {"reports": [json.loads(report.model_dump_json()) for report in reports]}
        assert len(_post(served, agent, "/v1/reports", batch)["accepted"]) == 3
        made = _post(served, admin, "/v1/tokens", {"scope": "viewer", "label": "wall"})
        yield Studio(
            served=served,
            admin=token_file(folder, "admin", admin),
            viewer=token_file(folder, "viewer", made["token"]),
            host_id=host_id,
        )
