"""A client generated from the served document by a tool of others, used against the running collector."""

import importlib
import json
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import requests

from tests.collector.serving import serving

GENERATOR = shutil.which("openapi-python-client", path=str(Path(sys.executable).parent))


def call(name: str) -> Any:
    """Give one generated operation."""
    return importlib.import_module(f"made_client.api.{name}")


def test_a_generated_client_works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Generated without a schema left out, it reads the fleet and is told its problems, all typed."""
    assert GENERATOR is not None, "openapi-python-client belongs to the development tools: make setup"
    with serving(tmp_path / "data") as served:
        document = requests.get(f"{served.url}/openapi.json", timeout=10).json()
        (tmp_path / "openapi.json").write_text(json.dumps(document))
        (tmp_path / "config.yml").write_text("post_hooks: []\n")
        command = [GENERATOR, "generate", "--path", str(tmp_path / "openapi.json"), "--meta", "none"]
        made = subprocess.run(
            [
                *command,
                "--output-path",
                str(tmp_path / "made_client"),
                "--config",
                str(tmp_path / "config.yml"),
            ],
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        assert "Unable to" not in made.stdout
        monkeypatch.syspath_prepend(str(tmp_path))
        client_module = importlib.import_module("made_client")
        models = importlib.import_module("made_client.models")
        client = client_module.AuthenticatedClient(base_url=served.url, token=served.admin_token)
        with client:
            fleet = call("fleet.get_fleet").sync(client=client)
            body = models.HoldBody(ends_at=datetime(2020, 1, 1, tzinfo=UTC), reason="show")
            refused = call("asked.add_hold").sync(client=client, body=body)
            missing = call("drives.get_drive").sync("none", client=client)
            roles = call("roles.list_roles").sync(client=client)

    assert (fleet.drives, fleet.standings.fit) == (0, 0)
    assert isinstance(refused, models.Problem)
    assert (refused.status, refused.errors[0].field) == (422, "ends_at")
    assert missing.status == 404
    assert {"field-recorder", "system"} <= {role.name for role in roles.items}
