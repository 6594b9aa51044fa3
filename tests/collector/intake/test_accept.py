"""A report's way in: once, whole, judged; and what is refused, repeated, late or from a wrong clock."""

import importlib
import json
from datetime import datetime, timedelta
from itertools import permutations
from typing import Any

import pytest
from ebbmark_agent.report import Report
from ebbmark_collector.intake import Receipt, accept, accept_many, accept_together
from ebbmark_collector.store import Store, Tx, drives, hosts, reports, rules
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.conftest import NOON

DAY = timedelta(days=1)


def enrol(store: Store, *host_ids: str) -> None:
    """Enrol hosts."""
    for host_id in host_ids:
        store.write(
            lambda tx, h=host_id: hosts.add_host(
                tx, host_id=h, name=h, system="Linux", machine_key=None, now_ms=0
            )
        )


def assign(store: Store, role: str = "field-recorder", *, pattern: str = "S*") -> None:
    """Give a role to the drives of a serial."""

    def job(tx: Tx) -> None:
        rules.put_assignment(
            tx,
            {
                "assignment_id": "a1",
                "place_in_order": 1,
                "matched_by": "serial",
                "pattern": pattern,
                "role": role,
                "created_ms": 0,
            },
        )
        rules.set_mark(tx, f"mark of {id(store)}")

    store.write(job)


def drive(store: Store) -> dict[str, Any]:
    """Give the only drive's row."""
    rows = store.read(lambda tx: tx.query("SELECT * FROM drives ORDER BY drive_id"))
    assert len(rows) == 1
    return rows[0]


def take(store: Store, *given: Report, at: datetime = NOON, host_id: str = "host-1") -> Receipt:
    """Hand reports in."""
    return accept_many(store, list(given), host_id=host_id, received_at=at)


@pytest.fixture
def ready(store: Store) -> Store:
    """A store with one host."""
    enrol(store, "host-1")
    return store


@pytest.fixture
def quick(sqlite_store: SqliteStore) -> SqliteStore:
    """A SQLite store with two hosts, for what does not depend on the engine."""
    enrol(sqlite_store, "host-1", "host-2")
    return sqlite_store


def test_a_report_is_accepted_once(ready: Store) -> None:
    """The second time the same report is acknowledged as a repeat and changes nothing."""
    one = wire.health(NOON)

    first, second = take(ready, one), take(ready, one)

    assert (one.report_id,) == first.accepted
    assert ((), (one.report_id,)) == (second.accepted, second.repeated)
    assert len(ready.read(lambda tx: tx.query("SELECT report_id FROM reports"))) == 1


def test_the_document_is_kept_as_received(quick: SqliteStore) -> None:
    """Fields this version does not know are kept with the rest."""
    body = json.loads(wire.health(NOON).model_dump_json())
    body["from_a_newer_agent"] = {"deep": [1, 2.5, "é"]}
    document = json.dumps(body).encode()

    accept(quick, document, host_id="host-1", received_at=NOON)

    kept = quick.read(lambda tx: reports.report(tx, body["report_id"]))
    assert kept is not None
    assert body == json.loads(kept["document"])


def test_one_bad_report_does_not_hold_up_its_batch(quick: SqliteStore) -> None:
    """What cannot be read is refused with the field that is wrong; the others go in."""
    good = wire.health(NOON)
    bad = json.loads(wire.health(NOON).model_dump_json())
    bad["body"]["reading"]["temperature_c"] = "warm"

    receipt = accept_many(quick, [json.dumps(bad).encode(), good], host_id="host-1", received_at=NOON)

    assert (good.report_id,) == receipt.accepted
    assert bad["report_id"] == receipt.refused[0].report_id
    assert "body.health.reading.temperature_c" in receipt.refused[0].problem


def test_hosts_that_send_at_one_instant_are_taken_in_together(quick: SqliteStore) -> None:
    """Each batch has its own receipt, and a repeat within one holds up no other."""
    known, fresh = wire.health(NOON), wire.health(NOON, host_id="host-2")
    take(quick, known)

    first, second = accept_together(quick, [("host-1", [known]), ("host-2", [fresh])], received_at=NOON)

    assert first == Receipt(repeated=(known.report_id,))
    assert second == Receipt(accepted=(fresh.report_id,))


def test_a_host_speaks_for_itself_only(quick: SqliteStore) -> None:
    """A report of another host is refused, whatever else the batch holds."""
    other = wire.health(NOON, host_id="host-2")

    receipt = take(quick, other)

    assert receipt.accepted == ()
    assert "another" in receipt.refused[0].problem


def test_one_id_from_two_hosts_is_told(quick: SqliteStore) -> None:
    """A cloned machine that repeats another's ids is refused and told so."""
    take(quick, wire.report(wire.health(NOON).body, NOON, report_id="same"))

    receipt = take(
        quick, wire.report(wire.health(NOON).body, NOON, report_id="same", host_id="host-2"), host_id="host-2"
    )

    assert "cloned" in receipt.refused[0].problem


def test_a_drive_is_the_same_in_whichever_machine(quick: SqliteStore) -> None:
    """A drive that moves keeps its history and shows where it was last seen."""
    take(quick, wire.inventory(NOON), wire.health(NOON))
    take(quick, wire.inventory(NOON + DAY, host_id="host-2"), at=NOON + DAY, host_id="host-2")

    assert drive(quick)["host_id"] == "host-2"


def test_a_weaker_name_finds_the_drive_a_stronger_one_named(quick: SqliteStore) -> None:
    """Behind a bridge that tells the serial only, it is still the same drive."""
    take(quick, wire.inventory(NOON))
    bare = wire.OWN.model_copy(update={"wwn": None})
    take(quick, wire.health(NOON + DAY, on=wire.subject(bare)), at=NOON + DAY)

    assert drive(quick)["last_health_ms"] is not None


def test_media_in_one_reader_are_told_apart_by_volume(quick: SqliteStore) -> None:
    """Without a serial of its own a medium is only what was seen in that reader with that volume."""
    from ebbmark_agent.report import DriveIdentity, IdentityConfidence

    card = DriveIdentity(confidence=IdentityConfidence.READER, serial="READER1", model="Card reader")
    for volume_id in ("card-a", "card-b"):
        take(quick, wire.inventory(NOON, identities=[card], removable=True, volume_id=volume_id))

    rows = quick.read(lambda tx: tx.query("SELECT confidence, presence FROM drives"))
    assert rows == [{"confidence": "reader", "presence": "comes_and_goes"}] * 2


def test_an_older_inventory_changes_nothing(quick: SqliteStore) -> None:
    """An inventory that arrives after a later one does not put a drive back where it was."""
    late = wire.inventory(NOON)
    take(quick, wire.inventory(NOON + DAY, host_id="host-2"), at=NOON + DAY, host_id="host-2")
    take(quick, late, at=NOON + 2 * DAY)

    assert drive(quick)["host_id"] == "host-2"


def test_a_clock_ahead_is_set_right(quick: SqliteStore) -> None:
    """What a host with a fast clock dates in the future is filed under the instant it came in."""
    ahead = NOON + timedelta(days=400)
    take(quick, wire.inventory(ahead), wire.probe(ahead, 300e6))

    row = drive(quick)
    noon_ms = round(NOON.timestamp() * 1000)
    assert noon_ms == row["last_seen_ms"]
    assert noon_ms == row["last_probe_ms"]


def standing_of(store: Store) -> tuple[str, float | None]:
    """Give the only drive's standing and floor."""
    row = drive(store)
    return row["standing"], row["floor_bytes_per_s"]


def test_a_slow_soak_is_judged_with_its_report(ready: Store) -> None:
    """A soak below the role's demand is unfit, and its alert raised, when the acknowledgement leaves."""
    assign(ready)
    take(ready, wire.inventory(NOON), wire.soak(NOON, 150e6), at=NOON + timedelta(hours=1))

    assert standing_of(ready)[0] == "unfit"
    alerts = ready.read(lambda tx: tx.query("SELECT condition, severity FROM alerts WHERE is_open = 1"))
    assert {"condition": "floor_under_demand", "severity": "critical"} in alerts


def test_a_better_soak_clears_the_alert_and_says_why(ready: Store) -> None:
    """After a soak above the demand the alert is cleared with its reason, and its history kept."""
    from ebbmark_collector.rounds import judge_fleet

    assign(ready)
    take(ready, wire.inventory(NOON), wire.soak(NOON, 150e6), at=NOON + timedelta(hours=1))
    for days in range(1, 12):
        at = NOON + days * DAY
        take(ready, wire.inventory(at), wire.soak(at, 500e6), at=at + timedelta(hours=8))
        judge_fleet(ready, at + timedelta(hours=9), everything=True)

    rows = ready.read(
        lambda tx: tx.query(
            "SELECT is_open, cleared_because FROM alerts WHERE condition = 'floor_under_demand'"
        )
    )
    assert [row["is_open"] for row in rows] == [0]
    assert rows[0]["cleared_because"]
    assert standing_of(ready)[0] == "fit"


def test_a_probe_that_gave_way_never_counts_against_a_drive(quick: SqliteStore) -> None:
    """A probe that stopped for others leaves the standing as it was."""
    from ebbmark_agent.report import ProbeOutcome

    assign(quick)
    take(quick, wire.inventory(NOON), wire.soak(NOON, 500e6), at=NOON + DAY)
    before = standing_of(quick)
    take(quick, wire.probe(NOON + DAY, 20e6, outcome=ProbeOutcome.GAVE_WAY), at=NOON + 2 * DAY)

    assert before == standing_of(quick)


@pytest.mark.parametrize(("of_drive", "word"), [(True, "unfit"), (False, "fit")])
def test_a_full_volume_is_not_held_against_its_drive(quick: SqliteStore, of_drive: bool, word: str) -> None:
    """A write the drive refused is a shown failure; one that others' files left no room for shows nothing."""
    from ebbmark_agent.report import ProbeOutcome, WriteFault

    assign(quick)
    take(quick, wire.inventory(NOON), wire.soak(NOON, 500e6), at=NOON + DAY)
    no_space = WriteFault(
        operation="write", errno_name="ENOSPC", at_byte=4096, sentence="No space left.", of_drive=of_drive
    )
    cut_off = wire.probe(NOON + DAY, 500e6, outcome=ProbeOutcome.FAILED, read_back_ok=None, fault=no_space)
    take(quick, cut_off, at=NOON + 2 * DAY)

    assert standing_of(quick)[0] == word


def test_a_wrong_read_back_is_unfit_at_once(quick: SqliteStore) -> None:
    """Data that came back changed makes a drive unfit whatever its rate."""
    assign(quick)
    take(quick, wire.inventory(NOON), wire.soak(NOON, 900e6, read_back_ok=False))

    assert standing_of(quick)[0] == "unfit"


def test_order_of_arrival_does_not_matter(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Whichever way round reports come in, the standing in the end is the same."""
    given = [
        wire.inventory(NOON),
        wire.soak(NOON + DAY, 400e6),
        wire.probe(NOON + 2 * DAY, 900e6),
        wire.probe(NOON + 3 * DAY, 90e6),
    ]
    found = set()
    for order in permutations(given):
        store = SqliteStore(tmp_path_factory.mktemp("order") / "collector.db")
        enrol(store, "host-1")
        assign(store)
        for one in order:
            take(store, one, at=NOON + 10 * DAY)
        row = drive(store)
        found.add(
            (row["standing"], row["floor_bytes_per_s"], row["demand_bytes_per_s"], row["last_probe_ms"])
        )
        store.close()

    assert len(found) == 1


def test_a_judge_that_fails_keeps_the_report(quick: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """A report is kept and acknowledged even when a rule trips over it; the next round looks again."""
    module = importlib.import_module("ebbmark_collector.intake.taking")

    def trip(*_: object) -> None:
        raise ZeroDivisionError("on purpose")

    monkeypatch.setattr(module, "look_at", trip)
    receipt = take(quick, wire.inventory(NOON), wire.probe(NOON, 300e6))

    assert len(receipt.accepted) == 2
    assert drive(quick)["look_again"] == 1


def test_holds_are_confirmed_by_signs_of_life(quick: SqliteStore) -> None:
    """A host that says a hold is in force there is on the hold's receipt; an unknown hold is passed over."""
    quick.write(
        lambda tx: rules.put_hold(
            tx,
            {
                "hold_id": "hold-1",
                "host_pattern": "*",
                "starts_ms": 0,
                "ends_ms": 2**40,
                "reason": "show",
                "created_by": "x",
                "created_ms": 0,
            },
        )
    )
    take(quick, wire.status(NOON, holds_in_force=("hold-1", "hold-unknown")))

    assert list(quick.read(lambda tx: rules.receipts(tx, "hold-1"))) == ["host-1"]


def test_a_drive_in_two_machines_at_once_is_told(quick: SqliteStore) -> None:
    """Two hosts that keep naming one drive over the same days are both on record for it."""
    for days in range(3):
        at = NOON + days * DAY
        take(quick, wire.inventory(at), at=at)
        take(quick, wire.inventory(at + timedelta(hours=1), host_id="host-2"), at=at + DAY, host_id="host-2")

    drive_id = drive(quick)["drive_id"]
    at_once = quick.read(lambda tx: drives.claimed_at_once(tx, drive_id))
    assert at_once == ["host-1", "host-2"]


def test_a_drive_that_moved_is_in_one_machine(quick: SqliteStore) -> None:
    """A drive that its old host never named again after it moved is not told as being in two."""
    take(quick, wire.inventory(NOON))
    for days in (1, 2):
        at = NOON + days * DAY
        take(quick, wire.inventory(at, host_id="host-2"), at=at, host_id="host-2")

    drive_id = drive(quick)["drive_id"]
    assert quick.read(lambda tx: drives.claimed_at_once(tx, drive_id)) == []
