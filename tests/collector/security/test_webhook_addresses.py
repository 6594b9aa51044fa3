"""A webhook that may not go where it is meant to is told before the collector starts."""

from pathlib import Path

import pytest
from click.testing import CliRunner
from ebbmark_collector.cli import main

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # the published test secret of Standard Webhooks 1.0.0


@pytest.mark.parametrize(
    ("url", "allowed", "fine"),
    [
        ("https://desk.example/alerts", [], True),
        ("https://10.1.2.3/alerts", ["10.1.2.3"], True),
        ("http://desk.example/alerts", ["desk.example"], True),
        ("http://desk.example/alerts", [], False),
        ("https://169.254.169.254/latest", [], False),
        ("https://169.254.169.254/latest", ["169.254.169.254"], False),
        ("https://127.0.0.1:8460/v1/tokens", [], False),
        ("https://[::1]/", [], False),
        ("https://[::ffff:10.0.0.1]/", [], False),
        ("https://0.0.0.0/", [], False),
        ("https://10.1.2.3/alerts", [], False),
        ("https://user:pw@desk.example/", [], False),
        ("file:///etc/passwd", [], False),
        ("gopher://desk.example/", [], False),
        ("https://other.example/", ["desk.example"], False),
    ],
)
def test_where_a_webhook_may_go_is_checked_at_once(
    tmp_path: Path, url: str, allowed: list[str], fine: bool
) -> None:
    """`validate` and the start refuse inside addresses, other schemes and passwords by the webhook's name."""
    secret = tmp_path / "secret"
    secret.write_text(SECRET)
    secret.chmod(0o600)
    config = tmp_path / "collector.toml"
    config.write_text(
        f'[[notify.webhooks]]\nname = "desk"\nurl = "{url}"\nsecret_file = "{secret}"\n'
        f"allowed_hosts = {allowed}\n"
    )
    done = CliRunner().invoke(main, ["validate", "--config", str(config)])

    assert done.exit_code == (0 if fine else 20), done.output
    if not fine:
        assert "desk" in done.stderr
        assert "pw" not in done.stderr
