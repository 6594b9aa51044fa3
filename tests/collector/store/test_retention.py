"""What retention folds, thins and drops, on both engines, and that nothing judged changes by it."""

from datetime import timedelta

import pytest
from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import judge_fleet, keep_within_retention
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Row, Store, Tx, evidence, hosts, retention, to_ms

from tests.collector import wire
from tests.collector.conftest import NOON

DAY = timedelta(days=1)


@pytest.fixture
def year(store: Store) -> Store:
    """A store with a drive's year: a soak, daily spots, health every six hours of the last days."""
    store.write(
        lambda tx: hosts.add_host(
            tx, host_id="host-1", name="cut-1", system="Linux", machine_key="mk-00000001", now_ms=0
        )
    )
    said = [wire.inventory(NOON - 300 * DAY), wire.soak(NOON - 290 * DAY, 150e6)]
    said += [wire.probe(NOON - days * DAY, 300e6 + days * 1e5) for days in range(280, 0, -10)]
    said += [wire.health(NOON - 35 * DAY + timedelta(hours=6 * n)) for n in range(140)]
    said.sort(key=lambda report: report.made_at)
    for one in said:
        accept_many(store, [one], host_id="host-1", received_at=one.made_at)
    judge_fleet(store, NOON)
    return store


def _rows(store: Store, table: str) -> int:
    return int(store.read(lambda tx: tx.query(f"SELECT COUNT(*) AS n FROM {table}"))[0]["n"])


def _judged(store: Store) -> list[object]:
    def read(tx: Tx) -> list[object]:
        return [
            tx.query("SELECT standing, standing_json, outlook_json, causes_json FROM drives"),
            tx.query("SELECT condition, phase, severity FROM alerts ORDER BY condition"),
        ]

    judge_fleet(store, NOON, everything=True)
    return store.read(read)


def test_what_is_judged_is_the_same_after_thinning(year: Store) -> None:
    """Standing, outlook, causes and alerts do not change by what retention drops."""
    before = _judged(year)

    keep_within_retention(year, NOON, Settings())

    assert before == _judged(year)


def test_routine_health_folds_into_days_and_goes_after_its_days(year: Store) -> None:
    """After a day or two a drive's health is one row a day, after thirty days only its daily columns stay."""
    keep_within_retention(year, NOON, Settings())

    kept = year.read(lambda tx: tx.query("SELECT made_ms FROM reports WHERE kind = 'health'"))
    days = year.read(lambda tx: tx.query("SELECT day FROM report_days ORDER BY day"))
    assert len(kept) <= 8
    assert len(days) == 29
    assert _rows(year, "health_days") == 36


def test_a_repeat_of_folded_health_is_known(year: Store) -> None:
    """A report that was folded away is still acknowledged as a repeat."""
    again = wire.health(NOON - 10 * DAY, temperature_c=36.5)
    accept_many(year, [again], host_id="host-1", received_at=NOON - 10 * DAY)
    keep_within_retention(year, NOON, Settings())

    receipt = accept_many(year, [again], host_id="host-1", received_at=NOON)

    assert (again.report_id,) == receipt.repeated
    assert receipt.accepted == ()


def test_late_health_joins_its_folded_day(year: Store) -> None:
    """Health that comes days late is folded into the day it was read on, and both stay."""
    keep_within_retention(year, NOON, Settings())
    late = wire.health(NOON - 10 * DAY + timedelta(minutes=1))
    accept_many(year, [late], host_id="host-1", received_at=NOON)

    keep_within_retention(year, NOON + 3 * DAY, Settings())

    receipt = accept_many(year, [late], host_id="host-1", received_at=NOON + 3 * DAY)
    assert (late.report_id,) == receipt.repeated


def test_spot_traces_go_and_soaks_stay(year: Store) -> None:
    """After ninety days a spot's report is gone with its trace; a soak's stays for good."""
    keep_within_retention(year, NOON, Settings())

    left = year.read(
        lambda tx: tx.query("SELECT kind, trace_kept, COUNT(*) AS n FROM probes GROUP BY kind, trace_kept")
    )
    counted = {(row["kind"], row["trace_kept"]): row["n"] for row in left}
    assert counted == {("soak", 1): 1, ("spot", 1): 9, ("spot", 0): 11}
    assert len(year.read(lambda tx: tx.query("SELECT report_id FROM reports WHERE kind = 'probe'"))) == 10


@pytest.mark.parametrize(
    "since",
    ["UPDATE drives SET open_alerts = 1", "UPDATE probes SET drive_id = 'another' WHERE kind = 'spot'"],
    ids=["an alert was raised", "found to be another drive's"],
)
def test_a_spot_that_matters_again_since_it_was_looked_up_keeps_its_trace(year: Store, since: str) -> None:
    """Between looking up old spots and thinning one, others write: no trace goes that is still asked for."""
    now_ms, kept = to_ms(NOON), Settings().retention
    old = year.read(lambda tx: retention.spots_to_thin(tx, kept, now_ms))
    before = _rows(year, "reports")
    year.write(lambda tx: tx.run(since))

    year.write(lambda tx: [retention.thin_spot(tx, spot) for spot in old])

    assert len(old) == 19  # of one every ten days, those 280 to 100 days old
    assert _rows(year, "reports") == before
    assert year.read(lambda tx: tx.query("SELECT 1 AS n FROM probes WHERE trace_kept = 0")) == []


def _at_whole_bytes(row: Row) -> Row:
    return {**row, "floor_bytes_per_s": round(row["floor_bytes_per_s"])}


def test_old_spots_stay_in_the_floor_series(year: Store) -> None:
    """What was a spot beyond the judge's sight is a point of the series, at the same height to the byte."""
    drive_id = year.read(lambda tx: tx.query("SELECT drive_id FROM drives"))[0]["drive_id"]
    before = year.read(lambda tx: evidence.floors_since(tx, drive_id, since_ms=0))

    keep_within_retention(year, NOON, Settings())

    after = year.read(lambda tx: evidence.floors_since(tx, drive_id, since_ms=0))
    assert [_at_whole_bytes(row) for row in after] == [_at_whole_bytes(row) for row in before]
    assert _rows(year, "old_spots") == 8


def test_a_second_round_changes_nothing(year: Store) -> None:
    """Retention run twice is retention run once."""
    tables = ("reports", "report_ids", "report_days", "probes", "old_spots", "health_days")
    keep_within_retention(year, NOON, Settings())
    once = {table: _rows(year, table) for table in tables}

    keep_within_retention(year, NOON, Settings())

    assert once == {table: _rows(year, table) for table in tables}


def test_spots_of_a_drive_with_an_open_alert_keep_their_traces(year: Store) -> None:
    """The evidence of an open alert is not thinned while it is open."""
    year.write(lambda tx: tx.run("UPDATE drives SET open_alerts = 1"))

    keep_within_retention(year, NOON, Settings())

    kept = year.read(lambda tx: tx.query("SELECT COUNT(*) AS n FROM probes WHERE trace_kept = 1"))
    assert kept[0]["n"] == 29
