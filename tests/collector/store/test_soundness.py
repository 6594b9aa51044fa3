"""The SQLite file looked at by night: damage is found, said and survives a restart; a sound file is quiet."""

import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ebbmark_collector.errors import StoreError
from ebbmark_collector.intake import accept_many
from ebbmark_collector.store import hosts, keeping, soundness
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.conftest import NOON, SetClock, make_api

NEVER = threading.Event()


def filled(path: Path) -> SqliteStore:
    """A database of a few hundred pages."""
    store = SqliteStore(path)
    store.write(
        lambda tx: hosts.add_host(
            tx, host_id="h", name="h", system="Linux", machine_key="mk-00000009", now_ms=0
        )
    )
    for hour in range(20):
        at = NOON + timedelta(hours=hour)
        given = [wire.inventory(at, host_id="h"), wire.probe(at, 300e6, host_id="h")]
        accept_many(store, given, host_id="h", received_at=at)
    return store


def damage(path: Path) -> None:
    """Overwrite pages in the middle of the file, as a failing disk might."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        for page in range(10, size // 4096, 3):
            file.seek(page * 4096)
            file.write(b"\xa5" * 4096)


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """A filled database, closed, all of it in its file."""
    path = tmp_path / "collector.db"
    filled(path).close()
    return path


def test_a_sound_file_is_quiet(database: Path) -> None:
    """Nothing is found and nothing said of a file that is whole."""
    store = SqliteStore(database)
    found = soundness.check(store, NOON, NEVER)
    store.close()

    assert (found, soundness.fault_of(store)) == (None, None)


def test_damage_is_found_said_and_outlives_a_restart(database: Path, time: SetClock) -> None:
    """Overwritten pages are found; /ready says so with 503 in every process until a backup is restored."""
    copy = database.with_name("backup.db")
    keeping.back_up(database, copy)
    store = SqliteStore(database)
    damage(database)
    found = soundness.check(store, NOON, NEVER)
    store.close()
    keeping.restore(copy, database, replace=True)  # the mark of the damaged file goes with it
    restored = SqliteStore(database)
    api = make_api(restored, time)
    after = api.client(None).get("/ready")
    database.with_name("collector.db.damaged").write_text(str(found))  # as another worker left it
    told = api.client(None).get("/ready")
    restored.close()

    assert found is not None
    assert "restore the last good backup" in found
    assert after.status_code == 200
    assert told.status_code == 503
    assert told.get_json()["detail"] == found


def test_a_check_that_finds_nothing_takes_the_mark_away(database: Path) -> None:
    """Damage that is mended is no longer said."""
    store = SqliteStore(database)
    database.with_name("collector.db.damaged").write_text("it was damaged")
    before = soundness.fault_of(store)
    soundness.check(store, NOON, NEVER)
    after = soundness.fault_of(store)
    store.close()

    assert (before, after) == ("it was damaged", None)


def test_a_check_that_is_cut_short_is_due_again(database: Path) -> None:
    """Told to stop, it ends at once, says nothing, and does not count as done."""
    stopping = threading.Event()
    stopping.set()
    store = SqliteStore(database)
    night = local(2)
    found = soundness.check(store, night, stopping)
    due = soundness.is_due(store, night)
    store.close()

    assert (found, due) == (None, True)


def test_a_file_that_cannot_be_read_is_not_called_damaged(database: Path) -> None:
    """What hinders the look is a failure of its own and says nothing of the pages."""
    store = SqliteStore(database)
    with closing(sqlite3.connect(database, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode=EXCLUSIVE")
        store.close()
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(StoreError, match="could not be looked at"):
            soundness.check(store, NOON, NEVER)
        other.execute("ROLLBACK")

    assert soundness.fault_of(store) is None


def local(hour: int, *, days: int = 0) -> datetime:
    """An hour of this machine's own day."""
    return datetime(2026, 3, 3, hour, 30).astimezone().astimezone(UTC) + timedelta(days=days)


def test_it_is_looked_at_once_a_night_or_after_two_days(database: Path) -> None:
    """By night once; by day only where no night came for two days."""
    store = SqliteStore(database)
    first = [soundness.is_due(store, local(hour)) for hour in (12, 23, 2)]
    soundness.check(store, local(2), NEVER)
    later = {
        "the same night": soundness.is_due(store, local(4)),
        "the next day": soundness.is_due(store, local(14, days=1)),
        "the next night": soundness.is_due(store, local(1, days=1)),
        "two days on": soundness.is_due(store, local(14, days=2)),
    }
    store.close()

    assert first == [False, False, True]
    assert later == {
        "the same night": False,
        "the next day": False,
        "the next night": True,
        "two days on": True,
    }
