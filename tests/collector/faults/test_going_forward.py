"""Schemas go forward with a verified copy of what was before."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import keeping, opening, schema
from ebbmark_collector.store.opening import DATABASE, open_store

from tests.collector.store.test_contract import add, ids

NEXT = ("9001_colour", "ALTER TABLE hosts ADD COLUMN colour TEXT;")


def with_a_next_step(monkeypatch: pytest.MonkeyPatch, step: tuple[str, str] = NEXT) -> None:
    """Let this collector be one version on."""
    steps = (*schema.STEPS, step)
    monkeypatch.setattr(schema, "STEPS", steps)
    monkeypatch.setattr(opening, "STEPS", steps)
    monkeypatch.setattr(keeping, "STEPS", steps)


def test_going_forward_keeps_a_verified_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A newer collector copies the database, then adds its step; the copy opens as it was, with every row."""
    first = open_store(tmp_path, Settings())
    first.write(lambda tx: [add(tx, f"h{n}") for n in range(50)])
    first.close()
    assert not list(tmp_path.glob("*.before-*"))
    known = schema.STEPS

    with_a_next_step(monkeypatch)
    second = open_store(tmp_path, Settings())
    columns = [row["name"] for row in second.read(lambda tx: tx.query("PRAGMA table_info(hosts)"))]
    names = ids(second)
    second.close()

    copy = tmp_path / f"{DATABASE}.before-9001_colour"
    assert "colour" in columns
    assert len(names) == 50
    keeping.verify(copy)
    assert keeping.steps_in(copy) == {name for name, _ in known}
    assert copy.stat().st_mode & 0o777 == 0o600
    with closing(sqlite3.connect(copy)) as conn:
        assert conn.execute("SELECT COUNT(*) FROM hosts").fetchone() == (50,)


def test_nothing_new_makes_no_copy(tmp_path: Path) -> None:
    """An ordinary restart leaves no copy behind."""
    open_store(tmp_path, Settings()).close()
    open_store(tmp_path, Settings()).close()

    assert [path.name for path in tmp_path.iterdir()] == [DATABASE]


def test_a_step_that_fails_leaves_everything_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A step that trips is undone as a whole, with the copy beside it; the earlier collector goes on."""
    store = open_store(tmp_path, Settings())
    store.write(lambda tx: add(tx, "h1"))
    store.close()
    broken = (
        "9001_broken",
        "ALTER TABLE hosts ADD COLUMN colour TEXT;\n\nALTER TABLE nowhere ADD COLUMN x TEXT;",
    )
    with pytest.MonkeyPatch.context() as patched:
        with_a_next_step(patched, broken)
        with pytest.raises(Exception, match="nowhere"):
            open_store(tmp_path, Settings())

    again = open_store(tmp_path, Settings())
    columns = [row["name"] for row in again.read(lambda tx: tx.query("PRAGMA table_info(hosts)"))]
    assert "colour" not in columns
    assert ids(again) == ["h1"]
    again.close()


def test_an_older_collector_refuses_a_newer_database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A backup of a newer collector is not restored by an older one, with what to do."""
    with pytest.MonkeyPatch.context() as patched:
        with_a_next_step(patched)
        open_store(tmp_path / "a", Settings()).close()
        keeping.back_up(tmp_path / "a" / DATABASE, tmp_path / "copy.db")

    with pytest.raises(Exception, match="newer collector"):
        keeping.restore(tmp_path / "copy.db", tmp_path / "b" / DATABASE, replace=False)
