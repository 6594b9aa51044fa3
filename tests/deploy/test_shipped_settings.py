"""The settings files as shipped name every key, with its default, and are themselves in order."""

import tomllib
from datetime import time
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.settings import Settings as AgentSettings
from ebbmark_agent.settings import load_settings
from ebbmark_collector import settings as collector
from pydantic import BaseModel

from tests.deploy.shipped_settings import read_shipped, uncommented

AGENT_TABLES = ("collector", "limits", "privacy", "house", "spool", "health", "log")
COLLECTOR_TABLES = {
    "serve": collector.ServeSettings,
    "store": collector.StoreSettings,
    "house": collector.HouseSettings,
    "retention": collector.RetentionSettings,
    "notify": collector.NotifySettings,
    "notify.webhooks": collector.WebhookSettings,
    "notify.mails": collector.MailSettings,
    "notify.apprise": collector.AppriseSettings,
}


def _plain(value: Any) -> Any:
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, time):
        return f"{value:%H:%M}"
    return list(value) if isinstance(value, tuple) else value


def _defaults(model: type[BaseModel]) -> dict[str, Any]:
    """Give a table's own keys with their defaults, leaving out further tables."""
    return {
        name: None if field.is_required() else _plain(field.get_default(call_default_factory=True))
        for name, field in model.model_fields.items()
        if name not in {"webhooks", "mails", "apprise"}
    }


def _compare(model: type[BaseModel], table: Any) -> None:
    defaults = _defaults(model)

    assert set(table.values) == set(defaults)
    assert table.without_default == {key for key, value in defaults.items() if value is None}
    for key, value in defaults.items():
        if value is not None:
            assert table.values[key] == value, key


@pytest.mark.parametrize("name", AGENT_TABLES)
def test_every_key_of_the_agent_stands_there_with_its_default(deploy: Path, name: str) -> None:
    """Each table of agent.toml has exactly the keys of the settings model, each with the model's default."""
    model = AgentSettings.model_fields[name].annotation
    assert isinstance(model, type)

    _compare(model, read_shipped(deploy / "agent.toml")[name])


@pytest.mark.parametrize("name", COLLECTOR_TABLES)
def test_every_key_of_the_collector_stands_there_with_its_default(deploy: Path, name: str) -> None:
    """Each table of collector.toml has exactly the keys of the settings, each with its default."""
    _compare(COLLECTOR_TABLES[name], read_shipped(deploy / "collector.toml")[name])


def test_no_table_is_left_out(deploy: Path) -> None:
    """The files hold a table for each part of the settings and no other."""
    agent = read_shipped(deploy / "agent.toml")
    assert set(agent) == {"", *AGENT_TABLES}
    assert set(agent) - {""} == set(AgentSettings.model_fields) - {"state_dir"}
    assert set(read_shipped(deploy / "collector.toml")) == {"", *COLLECTOR_TABLES}
    assert set(collector.Settings.model_fields) == {name for name in COLLECTOR_TABLES if "." not in name}


def test_the_files_as_shipped_change_nothing(deploy: Path) -> None:
    """Installed as they are, both files leave every default in force."""
    assert load_settings(path=deploy / "agent.toml", environment={}) == AgentSettings()
    assert collector.load(deploy / "collector.toml", {}) == collector.Settings()


def test_the_examples_in_the_files_are_good_settings(deploy: Path, tmp_path: Path) -> None:
    """With every example taken into use, both programs accept the files."""
    for name in ("agent.toml", "collector.toml"):
        (tmp_path / name).write_text(uncommented(deploy / name), encoding="utf-8")
    in_use = tomllib.loads((tmp_path / "collector.toml").read_text(encoding="utf-8"))

    assert load_settings(path=tmp_path / "agent.toml", environment={}).collector.url is not None
    assert (
        len(collector.load(tmp_path / "collector.toml", {}).notify.mails)
        == len(in_use["notify"]["mails"])
        == 1
    )


def test_every_key_has_a_line_that_says_what_it_is_for(deploy: Path) -> None:
    """No key stands without a word."""
    for name in ("agent.toml", "collector.toml"):
        for table in read_shipped(deploy / name).values():
            assert set(table.says) == set(table.values)
            assert all(len(says) >= 7 for says in table.says.values())
