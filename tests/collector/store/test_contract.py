"""What every engine of the store must do alike."""

import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from random import Random

import pytest
from ebbmark_collector.errors import Conflict
from ebbmark_collector.intake import accept_many
from ebbmark_collector.store import Store, Tx, Value, hosts, leases, savepoint
from ebbmark_collector.store.listing import Column, Filter, Kind, Listing, Place, page
from ebbmark_collector.store.lists import DRIVES
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.collector import wire
from tests.collector.conftest import NOON

ROWS = Listing(
    name="hosts",
    source="hosts",
    key="host_id",
    sort="name",
    columns=(
        Column(name="host_id"),
        Column(name="name", searched=True),
        Column(name="clock_offset_s", kind=Kind.NUMBER, nullable=True),
        Column(name="on_air", kind=Kind.TRUTH),
    ),
)


def add(tx: Tx, host_id: str, *, name: str = "n", offset: float | None = None) -> None:
    """Add a host."""
    hosts.add_host(tx, host_id=host_id, name=name, system="Linux", machine_key=None, now_ms=1)
    tx.run("UPDATE hosts SET clock_offset_s = :o WHERE host_id = :h", {"o": offset, "h": host_id})


def ids(store: Store) -> list[str]:
    """Give every host's id."""
    return [
        row["host_id"]
        for row in store.read(lambda tx: tx.query("SELECT host_id FROM hosts ORDER BY host_id"))
    ]


def test_a_finished_write_is_seen_by_the_next_reader(store: Store) -> None:
    """What a write left is there for a reader that begins afterwards."""
    store.write(lambda tx: add(tx, "a"))

    assert ids(store) == ["a"]


def test_a_write_that_raises_leaves_nothing(store: Store) -> None:
    """A job that raises undoes all it did, and the caller sees its own exception."""

    def job(tx: Tx) -> None:
        add(tx, "a")
        raise LookupError("on purpose")

    with pytest.raises(LookupError, match="on purpose"):
        store.write(job)

    assert ids(store) == []


def test_a_savepoint_undoes_its_part_only(store: Store) -> None:
    """What a savepoint's block did is undone when it raises; what came before and after it stays."""

    def job(tx: Tx) -> None:
        add(tx, "before")
        with suppress(LookupError), savepoint(tx):
            add(tx, "within")
            raise LookupError
        add(tx, "after")

    store.write(job)

    assert ids(store) == ["after", "before"]


def test_a_second_row_of_one_kind_is_a_conflict(store: Store) -> None:
    """A row that contradicts another is told as a conflict, whatever the engine calls it."""
    store.write(lambda tx: add(tx, "a"))

    with pytest.raises(Conflict):
        store.write(lambda tx: add(tx, "a"))


@pytest.mark.parametrize(
    "value",
    ["", "é ☃ 𝄞", "it's 100 % :here", "a\nb", "0123"],
    ids=["empty", "unicode", "marks", "newline", "digits"],
)
def test_text_comes_back_as_it_went_in(store: Store, value: str) -> None:
    """Text is kept to the letter."""
    store.write(lambda tx: add(tx, "a", name=value))

    assert [value] == [row["name"] for row in store.read(lambda tx: tx.query("SELECT name FROM hosts"))]


@pytest.mark.parametrize("number", [0, -1, 2**53 + 1, 2**63 - 1])
def test_whole_numbers_come_back_exactly(store: Store, number: int) -> None:
    """Counters of 63 bits are kept to the unit."""

    def job(tx: Tx) -> None:
        add(tx, "a")
        tx.run("UPDATE hosts SET last_report_ms = :n", {"n": number})

    store.write(job)

    found = store.read(lambda tx: tx.query("SELECT last_report_ms AS n FROM hosts"))[0]["n"]
    assert number == found
    assert type(found) is int


def test_bytes_and_floats_come_back_exactly(store: Store) -> None:
    """Bytes and doubles are kept to the bit."""
    from ebbmark_collector.store import access

    store.write(
        lambda tx: access.add_token(
            tx,
            token_id="t",
            scope="viewer",
            secret_hash=bytes(range(256)),
            label="l",
            created_by="x",
            now_ms=1,
        )
    )
    store.write(lambda tx: add(tx, "a", offset=0.1 + 0.2))

    token = store.read(lambda tx: access.tokens_of(tx, ["t", "u", "v"]))["t"]
    assert bytes(range(256)) == bytes(token["hash"])
    assert store.read(lambda tx: tx.query("SELECT clock_offset_s AS o FROM hosts"))[0]["o"] == 0.1 + 0.2


@pytest.mark.parametrize("number", [0, 1, 3, 16, 17, 100])
def test_update_many_changes_each_row_meant_by_its_own_values(store: Store, number: int) -> None:
    """However many at once: each row gets its own, a condition that fails leaves one, others stay."""
    names = ("name", "owner", "until_ms")
    rows = [(f"n{place:03}", "x", place) for place in range(120)]
    changes: list[dict[str, Value]] = [
        {"name": f"n{place:03}", "owner": f"o{place}", "until_ms": place + place % 2 - 1}
        for place in range(number)
    ]

    def job(tx: Tx) -> int:
        tx.insert_many("leases", names, rows)
        return tx.update_many(
            "leases",
            "owner = :owner, until_ms = CASE WHEN until_ms < :until_ms THEN :until_ms ELSE until_ms END",
            "name = :name AND until_ms <= :until_ms",
            changes,
        )

    touched = store.write(job)

    found = store.read(lambda tx: tx.values("SELECT name, owner, until_ms FROM leases ORDER BY name"))
    assert touched == number // 2
    assert found == [
        (name, f"o{place}" if place < number and place % 2 else "x", place) for name, _, place in rows
    ]


@pytest.mark.parametrize("number", [0, 1, 5, 16, 33, 100])
def test_insert_many_merges_by_a_rule_of_its_own(store: Store, number: int) -> None:
    """What becomes of a known row may depend on both; those that are new go in as they are."""
    names = ("name", "owner", "until_ms")

    def job(tx: Tx) -> None:
        tx.insert_many("leases", names, [(f"n{place:03}", "x", 50) for place in range(0, 100, 2)])
        tx.insert_many(
            "leases",
            names,
            [(f"n{place:03}", "y", place) for place in range(number)],
            key=("name",),
            merge="""owner = CASE WHEN excluded.until_ms > leases.until_ms THEN excluded.owner
                                  ELSE leases.owner END, until_ms = leases.until_ms + excluded.until_ms""",
        )

    store.write(job)

    def expected(place: int) -> tuple[str, str, int] | None:
        name = f"n{place:03}"
        if place % 2:
            return (name, "y", place) if place < number else None
        if place < number:
            return (name, "y" if place > 50 else "x", 50 + place)
        return (name, "x", 50)

    found = store.read(lambda tx: tx.values("SELECT name, owner, until_ms FROM leases ORDER BY name"))
    assert found == [row for place in range(100) if (row := expected(place)) is not None]


def test_insert_many_leaves_or_updates_a_known_row(store: Store) -> None:
    """On a repeated key the old row stays, or the named columns change and no others."""
    names = ("name", "owner", "until_ms")

    def job(tx: Tx) -> None:
        tx.insert_many("leases", names, [("a", "x", 1), ("b", "x", 1)], key=("name",))
        tx.insert_many("leases", names, [("a", "y", 2)], key=("name",))
        tx.insert_many("leases", names, [("b", "y", 2)], key=("name",), update=("until_ms",))

    store.write(job)

    found = store.read(lambda tx: tx.query("SELECT * FROM leases ORDER BY name"))
    assert found == [
        {"name": "a", "owner": "x", "until_ms": 1},
        {"name": "b", "owner": "x", "until_ms": 2},
    ]


def test_a_reader_sees_one_state_throughout(store: Store) -> None:
    """What others commit while a reader reads does not show in it."""
    store.write(lambda tx: add(tx, "a"))
    with store.tx() as tx:
        before = tx.query("SELECT COUNT(*) AS n FROM hosts")[0]["n"]
        writer = threading.Thread(target=lambda: store.write(lambda w: add(w, "b")))
        writer.start()
        writer.join(timeout=20)
        after = tx.query("SELECT COUNT(*) AS n FROM hosts")[0]["n"]

    assert (before, after) == (1, 1)
    assert ids(store) == ["a", "b"]


def in_threads(count: int, work: Callable[[int], None]) -> list[BaseException]:
    """Do the same in several threads at once and give what they raised."""
    start, raised = threading.Barrier(count), []

    def run(number: int) -> None:
        start.wait(timeout=20)
        try:
            work(number)
        except BaseException as error:  # noqa: BLE001 -- handed to the test
            raised.append(error)

    threads = [threading.Thread(target=run, args=(number,)) for number in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return raised


def test_writers_at_once_lose_no_increment(store: Store) -> None:
    """Reading and then writing in one job is safe from eight threads at once."""
    store.write(lambda tx: tx.insert_many("leases", ("name", "owner", "until_ms"), [("n", "x", 0)]))

    def raise_by_one(_: int) -> None:
        for _ in range(10):
            store.write(lambda tx: tx.run("UPDATE leases SET until_ms = until_ms + 1 WHERE name = 'n'"))

    raised = in_threads(8, raise_by_one)

    assert raised == []
    assert store.read(lambda tx: tx.query("SELECT until_ms FROM leases"))[0]["until_ms"] == 80


def test_one_of_many_becomes_leader(store: Store) -> None:
    """However many ask for the lease at once, one gets it; after its end another does."""
    led: list[int] = []

    def ask(number: int) -> None:
        if store.write(lambda tx: leases.take(tx, name="r", owner=str(number), now_ms=1_000, for_ms=500)):
            led.append(number)

    assert in_threads(8, ask) == []
    assert len(led) == 1
    other = str(led[0] + 100)
    for now_ms, expected in ((1_400, False), (1_501, True)):
        got = store.write(lambda tx, at=now_ms: leases.take(tx, name="r", owner=other, now_ms=at, for_ms=500))
        assert expected == got


def all_pages(store: Store, sort: str, limit: int, filters: tuple[Filter, ...] = ()) -> list[str]:
    """Walk through a list page by page."""
    found: list[str] = []
    after: Place | None = None
    while True:
        rows, after = store.read(
            lambda tx, after=after: page(tx, ROWS, filters=filters, sort=sort, after=after, limit=limit)
        )
        found += [row["host_id"] for row in rows]
        if after is None:
            return found


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    offsets=st.lists(st.one_of(st.none(), st.sampled_from([-1.5, 0.0, 2.0, 7.25])), max_size=12),
    limit=st.integers(1, 5),
    falling=st.booleans(),
)
def test_pages_hold_every_row_once_in_order(
    store: Store, offsets: list[float | None], limit: int, falling: bool
) -> None:
    """Walking a list page by page gives every row once, sorted, empty values last in either direction."""

    def fill(tx: Tx) -> None:
        tx.run("DELETE FROM hosts")
        for i, offset in enumerate(offsets):
            add(tx, f"h{i:02}", offset=offset)

    store.write(fill)
    known = [(o, f"h{i:02}") for i, o in enumerate(offsets) if o is not None]
    empty = [f"h{i:02}" for i, o in enumerate(offsets) if o is None]
    expected = [name for _, name in sorted(known, reverse=falling)] + sorted(empty, reverse=falling)

    found = all_pages(store, "-clock_offset_s" if falling else "clock_offset_s", limit)

    assert expected == found


def test_text_sorts_by_code_point_on_every_engine(store: Store) -> None:
    """Upper before lower case, accents after: the same pages whichever engine serves them."""
    names = ["b", "B", "a", "é", "Z", "_", "10", "9"]

    def fill(tx: Tx) -> None:
        for i, name in enumerate(names):
            add(tx, f"h{i}", name=name)

    store.write(fill)

    rows, _ = store.read(lambda tx: page(tx, ROWS))
    assert sorted(names) == [row["name"] for row in rows]


@pytest.mark.parametrize(
    ("contains", "expected"),
    [("UT-", ["cut-1", "cut-2"]), ("%", ["100%"]), ("_", []), ("!", [])],
    ids=["whatever case", "percent is a character", "underscore is a character", "bang is a character"],
)
def test_contains_looks_for_the_text_itself(store: Store, contains: str, expected: list[str]) -> None:
    """Looking for text takes it literally, whatever its case."""

    def fill(tx: Tx) -> None:
        for name in ("cut-1", "cut-2", "100%"):
            add(tx, name, name=name)

    store.write(fill)

    rows, _ = store.read(lambda tx: page(tx, ROWS, contains=contains, sort="-name"))
    assert expected == sorted(row["name"] for row in rows)


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize(
    ("contains", "expected"),
    [("ux", ["a", "c"]), ("bay", ["b"]), ("cut-1", ["a"]), ("linuxbay", []), ("1linux", []), ("zz", [])],
    ids=["a column", "one that may be empty", "another", "not across two", "nor these", "nowhere"],
)
def test_contains_looks_into_each_column_by_itself(
    store: Store, wide: bool, contains: str, expected: list[str]
) -> None:
    """Every column that is searched tells, an empty one too, and none is read on into the next."""
    searched = replace(
        ROWS,
        wide=wide,
        columns=(
            *ROWS.columns,
            Column(name="system", searched=True),
            Column(name="notes", nullable=True, searched=True),
        ),
    )

    def fill(tx: Tx) -> None:
        for host_id, name, notes in (("a", "cut-1", None), ("b", "cut-2", "Bay 4"), ("c", "LUX", None)):
            add(tx, host_id, name=name)
            tx.run(
                "UPDATE hosts SET notes = :notes, system = :system WHERE host_id = :h",
                {"h": host_id, "notes": notes, "system": "Linux" if host_id == "a" else "macOS"},
            )

    store.write(fill)

    rows, _ = store.read(lambda tx: page(tx, searched, contains=contains))
    assert expected == sorted(row["host_id"] for row in rows)


def test_the_longest_names_of_a_drive_are_kept(store: Store) -> None:
    """No index of what is listed or searched bounds what people may write: four bytes a letter, by chance."""
    chance = Random(12)
    named = {
        column: "".join(chr(chance.randrange(0x10000, 0x10FFFF)) for _ in range(256))
        for column in ("label", "asset_tag", "place", "model", "serial")
    }
    store.write(lambda tx: add(tx, "host-1"))
    accept_many(store, [wire.inventory(NOON)], host_id="host-1", received_at=NOON)

    sets = ", ".join(f"{column} = :{column}" for column in named)
    store.write(lambda tx: tx.run(f"UPDATE drives SET {sets}", named))

    rows, _ = store.read(lambda tx: page(tx, DRIVES, contains=named["place"][100:110]))
    assert [{column: row[column] for column in named} for row in rows] == [named]


def test_time_of_an_id_is_its_order() -> None:
    """Ids made later sort later, to the millisecond."""
    from datetime import timedelta

    from ebbmark_collector.store.ids import new_id

    made = [new_id(NOON + timedelta(milliseconds=i)) for i in range(50)]

    assert sorted(made) == made
    assert {26} == {len(one) for one in made}
