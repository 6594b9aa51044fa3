"""What is particular to the SQLite engine: shared commits, damage, a full disk, two starters."""

import os
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from ebbmark_collector.errors import Corrupt, StorageFull
from ebbmark_collector.store import Tx, evidence, hosts
from ebbmark_collector.store.listing import page
from ebbmark_collector.store.lists import DRIVES
from ebbmark_collector.store.schema import STEPS
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector.store.test_contract import add, ids, in_threads


def test_every_commit_reaches_the_disk(sqlite_store: SqliteStore) -> None:
    """The writer syncs in full and keeps a write-ahead log, so an acknowledgement means durable."""
    with sqlite_store.tx(write=True) as tx:
        pass

    with sqlite_store.tx() as tx:
        # 2 is FULL, https://www.sqlite.org/pragma.html#pragma_synchronous
        assert tx.query("PRAGMA synchronous") == [{"synchronous": 2}]
        assert tx.query("PRAGMA journal_mode") == [{"journal_mode": "wal"}]


def test_every_table_is_strict(sqlite_store: SqliteStore) -> None:
    """Each table refuses a value of another type than its column's."""
    rows = sqlite_store.read(lambda tx: tx.query("PRAGMA table_list"))

    loose = [
        r["name"]
        for r in rows
        if r["type"] == "table" and not r["strict"] and not r["name"].startswith(("sqlite_", "_sqlite"))
    ]
    assert loose == []


def plans_of(store: SqliteStore, look: Callable[[Tx], object]) -> list[str]:
    """Give how SQLite goes about what a look asks."""
    asked: list[str] = []
    plans: list[str] = []

    def job(tx: Tx) -> None:
        writer = store._writer.conn
        writer.set_trace_callback(asked.append)
        look(tx)
        writer.set_trace_callback(None)
        plans.extend(
            row["detail"]
            for sql in asked
            if sql.lstrip().startswith("SELECT")
            for row in tx.query(f"EXPLAIN QUERY PLAN {sql}")
        )

    store.write(job)
    return plans


@pytest.mark.parametrize(
    ("look", "index"),
    [
        (lambda tx: evidence.probes_not_judged(tx, "d"), "probes_to_judge"),
        (lambda tx: evidence.probe_marks(tx, "d", since_ms=9), "probes_not_spots"),
        (lambda tx: evidence.latest_soak(tx, "d"), "probes_not_spots"),
        (lambda tx: evidence.latest_read_floor(tx, "d"), "probes_not_spots"),
    ],
)
def test_a_look_reads_no_more_probes_than_it_asks_for(
    sqlite_store: SqliteStore, look: Callable[[Tx], object], index: str
) -> None:
    """Few probes of a drive are found along the index of the few, not by reading all of the drive's."""
    plans = plans_of(sqlite_store, look)

    assert any(f"USING INDEX {index}" in plan for plan in plans), plans


@pytest.mark.parametrize(
    ("asked", "index"),
    [
        ({"sort": "-last_seen_at"}, "SCAN d USING INDEX drives_by_seen"),
        ({"sort": "floor_bytes_per_s"}, "SCAN d USING INDEX drives_by_floor"),
        ({"sort": "-floor_bytes_per_s"}, "SCAN d USING INDEX drives_by_floor"),
        ({"contains": "B01"}, "SCAN d USING COVERING INDEX drives_searched"),
    ],
)
def test_a_page_of_drives_reads_an_index_not_every_row(
    sqlite_store: SqliteStore, asked: dict[str, str], index: str
) -> None:
    """What a studio sorts its drives by, and looks for among them, is answered along an index."""
    plans = plans_of(sqlite_store, lambda tx: page(tx, DRIVES, **asked))

    assert index in plans
    assert "SCAN d" not in plans


def test_writers_that_wait_together_share_a_commit(sqlite_store: SqliteStore) -> None:
    """Jobs queued behind a slow one are committed in one go, and each hears of its own result."""
    hold, started = threading.Event(), threading.Event()
    commits: list[str] = []
    sqlite_store._writer.conn.set_trace_callback(lambda sql: commits.append(sql) if sql == "COMMIT" else None)

    def slow(tx: Tx) -> None:
        add(tx, "slow")
        started.set()
        hold.wait(timeout=20)

    first = threading.Thread(target=lambda: sqlite_store.write(slow))
    first.start()
    started.wait(timeout=20)
    results: list[str] = []

    def quick(number: int) -> None:
        def job(tx: Tx) -> str:
            add(tx, f"q{number}")
            return f"q{number}"

        results.append(sqlite_store.write(job))

    waiting = [threading.Thread(target=quick, args=(number,)) for number in range(8)]
    for thread in waiting:
        thread.start()
    while len(sqlite_store._queue) < 8:
        threading.Event().wait(0.005)
    hold.set()
    for thread in (first, *waiting):
        thread.join(timeout=20)

    assert sorted(results) == [f"q{number}" for number in range(8)]
    assert len(ids(sqlite_store)) == 9
    assert len(commits) == 2


def test_one_bad_job_does_not_spoil_its_group(sqlite_store: SqliteStore) -> None:
    """A job that raises is undone alone; the others of its commit are kept."""

    def work(number: int) -> None:
        def job(tx: Tx) -> None:
            add(tx, f"h{number}")
            if number == 3:
                raise LookupError("on purpose")

        sqlite_store.write(job)

    raised = in_threads(6, work)

    assert [str(error) for error in raised] == ["on purpose"]
    assert [f"h{n}" for n in (0, 1, 2, 4, 5)] == ids(sqlite_store)


def test_two_starters_at_once_both_find_the_schema(tmp_path: Path) -> None:
    """Processes that start on an empty file together make the schema once."""
    path = tmp_path / "collector.db"

    def start(_: int) -> None:
        SqliteStore(path).close()

    assert in_threads(4, start) == []
    with sqlite3.connect(path) as conn:
        applied = conn.execute("SELECT COUNT(*) FROM _sqlite_migrations").fetchone()[0]
    conn.close()
    assert len(STEPS) == applied


def test_a_damaged_file_is_told(tmp_path: Path) -> None:
    """A page overwritten by something else is found and said, not served."""
    path = tmp_path / "collector.db"
    store = SqliteStore(path)
    store.write(lambda tx: [add(tx, f"h{n:05}", name="x" * 200) for n in range(400)])
    store.close()
    with path.open("r+b") as file:
        size = file.seek(0, os.SEEK_END)
        for offset in range(40 * 4096, size, 4096):
            file.seek(offset)
            file.write(b"\xff" * 4096)

    def read_all() -> None:
        damaged = SqliteStore(path)
        try:
            damaged.read(lambda tx: tx.query("SELECT * FROM hosts ORDER BY name"))
            damaged.read(lambda tx: tx.query("SELECT * FROM hosts"))
        finally:
            damaged.close()

    with pytest.raises(Corrupt, match="restore the last good backup"):
        read_all()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of four megabytes."""
    if os.geteuid() != 0:
        pytest.skip("mounting a small disk needs root")
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", folder],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip(f"a small disk cannot be mounted here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", folder], check=True)


def test_a_full_disk_refuses_loses_nothing_and_recovers(small_disk: Path) -> None:
    """On a full disk a write is refused as such; what was written stays; with space again it goes on."""
    store = SqliteStore(small_disk / "collector.db")
    written: list[str] = []
    ballast = small_disk / "ballast"
    ballast.write_bytes(b"x" * 2_000_000)

    def fill() -> None:
        for number in range(2_000):
            store.write(lambda tx, n=number: add(tx, f"h{n:05}", name="x" * 2_000))
            written.append(f"h{number:05}")

    with pytest.raises(StorageFull, match="nothing was taken in"):
        fill()

    ballast.unlink()
    store.write(lambda tx: add(tx, "later"))

    assert sorted([*written, "later"]) == ids(store)
    assert store.read(lambda tx: hosts.host(tx, "later")) is not None
    store.close()
