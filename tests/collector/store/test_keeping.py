"""Backup while in use, verified restore, and a move to PostgreSQL that compares every row."""

import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from ebbmark_collector.errors import ConfigurationError, Corrupt
from ebbmark_collector.intake import accept_many
from ebbmark_collector.store import Tx, keeping
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.conftest import NOON
from tests.collector.store.test_contract import add, ids


def filled(path: Path) -> SqliteStore:
    """A store with a host, a drive and some of everything that reports leave."""
    store = SqliteStore(path)
    store.write(lambda tx: add(tx, "host-1"))
    given = [wire.inventory(NOON), wire.soak(NOON, 150e6), wire.probe(NOON, 300e6), wire.health(NOON)]
    accept_many(store, [*given, wire.finding(NOON), wire.status(NOON)], host_id="host-1", received_at=NOON)
    return store


def test_a_backup_taken_in_use_is_one_state(tmp_path: Path) -> None:
    """While others write, the copy holds one committed state, passes its check, and is the owner's alone."""
    store = filled(tmp_path / "collector.db")
    stop = threading.Event()

    def write_on() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            store.write(lambda tx, n=number: [add(tx, f"a{n:05}"), add(tx, f"b{n:05}")])

    writer = threading.Thread(target=write_on)
    writer.start()
    keeping.back_up(tmp_path / "collector.db", tmp_path / "copy.db")
    stop.set()
    writer.join(timeout=20)
    store.close()

    copy = SqliteStore(tmp_path / "copy.db")
    names = [name for name in ids(copy) if name != "host-1"]
    copy.close()
    assert len([n for n in names if n[0] == "a"]) == len([n for n in names if n[0] == "b"])
    assert (tmp_path / "copy.db").stat().st_mode & 0o777 == 0o600


def test_a_backup_never_overwrites(tmp_path: Path) -> None:
    """A file that is there already is not touched."""
    filled(tmp_path / "collector.db").close()
    (tmp_path / "copy.db").write_text("mine")

    with pytest.raises(ConfigurationError, match="never overwrites"):
        keeping.back_up(tmp_path / "collector.db", tmp_path / "copy.db")

    assert (tmp_path / "copy.db").read_text() == "mine"


def test_a_restored_database_is_the_one_backed_up(tmp_path: Path) -> None:
    """Every table comes back with every row; the database before is set aside, not lost."""
    store = filled(tmp_path / "collector.db")
    with store.tx() as tx:
        before = {
            table: keeping.fingerprint(tx, table, keeping.key_of(tx, table)) for table in keeping.tables(tx)
        }
    keeping.back_up(tmp_path / "collector.db", tmp_path / "copy.db")
    store.write(lambda tx: add(tx, "later"))
    store.close()

    keeping.restore(tmp_path / "copy.db", tmp_path / "collector.db", replace=True)

    again = SqliteStore(tmp_path / "collector.db")
    with again.tx() as tx:
        after = {
            table: keeping.fingerprint(tx, table, keeping.key_of(tx, table)) for table in keeping.tables(tx)
        }
    again.close()
    assert before == after
    assert (tmp_path / "collector.db.before-restore").exists()


def test_a_damaged_backup_is_not_restored(tmp_path: Path) -> None:
    """A backup that fails its check leaves the database as it was."""
    filled(tmp_path / "collector.db").close()
    keeping.back_up(tmp_path / "collector.db", tmp_path / "copy.db")
    with (tmp_path / "copy.db").open("r+b") as file:
        for page in range(10, 60, 3):
            file.seek(page * 4096)
            file.write(b"\x00" * 4096)

    with pytest.raises(Corrupt):
        keeping.restore(tmp_path / "copy.db", tmp_path / "collector.db", replace=True)

    store = SqliteStore(tmp_path / "collector.db")
    assert ids(store) == ["host-1"]
    store.close()


def test_a_database_in_use_is_not_restored_over(tmp_path: Path) -> None:
    """While a collector writes, a restore is refused and says what to do."""
    store = filled(tmp_path / "collector.db")
    keeping.back_up(tmp_path / "collector.db", tmp_path / "copy.db")
    with store.tx(write=True) as tx:
        tx.query("SELECT 1 AS one")
        with pytest.raises(ConfigurationError, match="stop the collector"):
            keeping.restore(tmp_path / "copy.db", tmp_path / "collector.db", replace=True)
    store.close()


@pytest.mark.postgres
def test_a_move_to_postgresql_arrives_whole(tmp_path: Path, new_postgres: Callable[[], str]) -> None:
    """Every table has the same rows on PostgreSQL, byte for byte, and a second move is refused."""
    from ebbmark_collector.store.postgres import PostgresStore

    source, target = filled(tmp_path / "collector.db"), PostgresStore(new_postgres(), pool=2)

    moved = keeping.move(source, target)

    assert {name: moved[name] for name in ("hosts", "drives", "probes", "reports", "findings")} == {
        "hosts": 1,
        "drives": 1,
        "probes": 2,
        "reports": 6,
        "findings": 1,
    }
    with pytest.raises(ConfigurationError, match="into an empty one"):
        keeping.move(source, target)
    source.close()
    target.close()


@pytest.mark.postgres
def test_a_move_that_arrives_changed_is_undone(tmp_path: Path, new_postgres: Callable[[], str]) -> None:
    """If what arrived differs from what was sent, the target is left empty."""
    from ebbmark_collector.store.postgres import PostgresStore

    source, dsn = filled(tmp_path / "collector.db"), new_postgres()
    target = PostgresStore(dsn, pool=2)

    def spoil(tx: Tx) -> None:
        tx.run(
            """CREATE FUNCTION spoil() RETURNS trigger LANGUAGE plpgsql AS
               'BEGIN NEW.name := NEW.name || ''!''; RETURN NEW; END'"""
        )
        tx.run("CREATE TRIGGER spoil BEFORE INSERT ON hosts FOR EACH ROW EXECUTE FUNCTION spoil()")

    target.write(spoil)
    with pytest.raises(Exception, match="Nothing was kept"):
        keeping.move(source, target)

    assert ids(target) == []
    source.close()
    target.close()
