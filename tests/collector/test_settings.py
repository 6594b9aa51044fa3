"""The operator's settings: every fault at once by its key, environment over file, secrets never shown."""

import json
import logging
from io import StringIO
from pathlib import Path

import pytest
from click.testing import CliRunner
from ebbmark_collector import cli, logs
from ebbmark_collector.errors import CollectorError, ConfigurationError
from ebbmark_collector.settings import load


def test_without_a_file_the_defaults_hold() -> None:
    """No configuration is a working one: loopback, SQLite, the retention of the documents."""
    settings = load(None, {})

    assert settings.serve.listen.startswith("127.0.0.1:")
    assert settings.store.postgresql is None
    assert (settings.retention.health_days, settings.retention.spot_trace_days) == (30, 90)


def test_every_fault_is_told_at_once_by_its_key(tmp_path: Path) -> None:
    """A file with three mistakes gives three sentences, each with the key."""
    path = tmp_path / "collector.toml"
    path.write_text('[serve]\nthreads = 0\nlisten_on = "x"\n[retention]\nhealth_days = "many"\n')

    with pytest.raises(ConfigurationError) as caught:
        load(path, {})

    keys = {fault.split(":")[0] for fault in caught.value.faults}
    assert keys == {"serve.threads", "serve.listen_on", "retention.health_days"}


def test_the_environment_wins_over_the_file(tmp_path: Path) -> None:
    """A value from the environment takes the place of the file's."""
    path = tmp_path / "collector.toml"
    path.write_text("[serve]\nthreads = 4\n")

    settings = load(path, {"EBBMARK_COLLECTOR_SERVE__THREADS": "12"})

    assert settings.serve.threads == 12


@pytest.mark.parametrize(
    ("content", "told"),
    [(None, "cannot be read"), ("[serve", "is not TOML"), ('[serve]\nx = "\x00"', "is not TOML")],
    ids=["missing", "broken", "control characters"],
)
def test_a_file_that_cannot_be_read_is_a_sentence(tmp_path: Path, content: str | None, told: str) -> None:
    """A missing or broken file is said, not traced."""
    path = tmp_path / "collector.toml"
    if content is not None:
        path.write_text(content)

    with pytest.raises(ConfigurationError, match=told):
        load(path, {})


def test_a_time_zone_that_is_none_is_told(tmp_path: Path) -> None:
    """A target's zone is checked when the file is read, not when the first alert is due."""
    path = tmp_path / "collector.toml"
    path.write_text(
        '[[notify.webhooks]]\nname = "a"\nurl = "https://x.example"\nsecret_file = "s"\nzone = "Mars/Base"\n'
    )

    with pytest.raises(ConfigurationError, match="Mars/Base is not a time zone"):
        load(path, {})


def test_what_is_in_force_is_shown_without_secrets(tmp_path: Path) -> None:
    """`show-config` gives every setting; a connection string with its password is not among them."""
    path = tmp_path / "collector.toml"
    path.write_text('[store]\npostgresql = "host=db password=hunter2"\n')
    shown = CliRunner().invoke(cli.main, ["show-config", "--config", str(path)])

    assert shown.exit_code == 0
    assert "hunter2" not in shown.output
    assert json.loads(shown.output)["retention"]["health_days"] == 30


def test_validate_reads_the_secrets_too(tmp_path: Path) -> None:
    """`validate` finds a webhook's secret that is missing before the first alert needs it."""
    path = tmp_path / "collector.toml"
    path.write_text('[[notify.webhooks]]\nname = "a"\nurl = "https://x.example"\nsecret_file = "/nowhere"\n')
    told = CliRunner().invoke(cli.main, ["validate", "--config", str(path)])

    assert told.exit_code == 20
    assert "/nowhere cannot be read" in told.output


@pytest.mark.parametrize(
    "text",
    [
        "token ebb_0123456789ab_AbC-def_123",
        "Authorization: Bearer abc.def-ghi",
        "secret whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "postgresql://user:hunter2@db/ebbmark",
        "host=db password=hunter2 user=x",
    ],
)
def test_no_log_line_holds_a_secret(text: str) -> None:
    """Tokens, bearer headers, webhook secrets and passwords are blanked whoever logs them."""
    stream = StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(logs.JsonLines())
    record = logging.LogRecord("x", logging.INFO, __file__, 1, "said: %s", (text,), None)
    handler.emit(record)

    line = json.loads(stream.getvalue())
    assert "***" in line["text"]
    for secret in ("AbC-def_123", "abc.def-ghi", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "hunter2"):
        assert secret not in stream.getvalue()


def test_each_kind_of_failure_has_one_status() -> None:
    """A problem type means one status wherever it comes from."""

    def families(of: type[CollectorError]) -> list[type[CollectorError]]:
        return [of, *(found for child in of.__subclasses__() for found in families(child))]

    statuses: dict[str, set[int]] = {}
    for family in families(CollectorError):
        statuses.setdefault(family.problem, set()).add(family.status)
    assert {kind for kind, found in statuses.items() if len(found) > 1} == set()
