"""Standings and alerts are functions of what is stored: made anew they come out the same, thinned or not."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.report import Report
from ebbmark_collector.intake import accept
from ebbmark_collector.rounds import judge_fleet, keep_within_retention, listen_for_silence
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store, Tx, from_ms, keeping, reports
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector import wire
from tests.collector.conftest import NOON
from tests.collector.intake.test_accept import assign, enrol

DAY = timedelta(days=1)
STORY_DAYS = 130
STEADY = wire.OWN.model_copy(update={"serial": "S0000001", "wwn": "5000c50000000001"})
SINKING = wire.OWN.model_copy(update={"serial": "S0000002", "wwn": "5000c50000000002"})
FAILING = wire.OWN.model_copy(update={"serial": "S0000003", "wwn": "5000c50000000003"})


def story() -> list[tuple[datetime, Report]]:
    """Three drives over four months, one steady, one sinking, one failing; with when each report came in."""
    told = [(NOON, wire.inventory(NOON, identities=[STEADY, SINKING, FAILING]))]
    for number, identity in enumerate((STEADY, SINKING, FAILING)):
        on = wire.subject(identity, ref=f"d{number}", volume_id=f"vol-{number}")
        told.append((NOON, wire.soak(NOON, 400e6, on=on)))
        for day in range(1, STORY_DAYS):
            at = NOON + day * DAY
            errors = max(0, day - 60) if identity is FAILING else 0
            told.append((at, wire.health(at, on=on, media_errors=errors)))
            if day % 4 == 0:
                rate = 900e6 - (day * 5e6 if identity is SINKING else (day % 3) * 2e6)
                told.append((at, wire.probe(at, rate, on=on)))
        at = NOON + (STORY_DAYS - 2) * DAY
        told.append((at, wire.soak(at, 150e6 if identity is SINKING else 395e6, on=on)))
    return sorted(told, key=lambda each: each[0])


def rounds(store: Store, at: datetime) -> None:
    """Judge everything once a day, as the collector does far more often."""
    judge_fleet(store, at, everything=True)
    listen_for_silence(store, at)


def live(store: Store, told: list[tuple[datetime, Any]]) -> None:
    """Let reports come in at their instants, with the rounds of each day between."""
    enrol(store, "host-1")
    assign(store)
    waiting = list(told)
    for day in range(STORY_DAYS + 1):
        now = NOON + day * DAY
        while waiting and waiting[0][0] <= now:
            at, report = waiting.pop(0)
            accept(store, report, host_id="host-1", received_at=at)
        rounds(store, now + timedelta(hours=1))


def state(store: Store) -> dict[str, Any]:
    """Give where every drive stands and what is open, without ids and instants of the telling."""

    def read(tx: Tx) -> dict[str, Any]:
        stands = tx.query(
            """SELECT serial, role, standing, floor_bytes_per_s, demand_bytes_per_s, open_alerts FROM drives
               ORDER BY serial"""
        )
        alerts = tx.query(
            """SELECT d.serial, a.condition, a.severity, a.phase, a.is_open FROM alerts a
               LEFT JOIN drives d ON d.drive_id = a.drive_id WHERE a.is_open = 1
               ORDER BY d.serial, a.condition"""
        )
        return {"stands": stands, "open": alerts}

    return store.read(read)


def forget_what_was_judged(tx: Tx) -> None:
    """Wipe everything that is made from evidence."""
    for table in ("alert_transitions", "alerts", "standings"):
        tx.run(f"DELETE FROM {table}")
    tx.run(
        """UPDATE drives SET standing = 'unproven', standing_json = NULL, causes_json = NULL,
             outlook_json = NULL, cohort_json = NULL, floor_bytes_per_s = NULL, open_alerts = 0,
             worst_severity = 0"""
    )


@pytest.fixture
def told(tmp_path: Path) -> SqliteStore:
    """The story lived through once."""
    store = SqliteStore(tmp_path / "lived.db")
    live(store, list(story()))
    return store


@pytest.mark.proof
def test_the_reports_as_kept_tell_the_same_story_again(told: SqliteStore, tmp_path: Path) -> None:
    """Every stored report, taken in by an empty collector, leads to the same standings and open alerts."""

    def documents(tx: Tx) -> list[tuple[datetime, bytes]]:
        rows = tx.query("SELECT report_id, received_ms FROM reports ORDER BY received_ms, sequence")
        found = [(from_ms(row["received_ms"]), reports.report(tx, row["report_id"])) for row in rows]
        return [(at, row["document"]) for at, row in found if row is not None]

    again = SqliteStore(tmp_path / "again.db")
    live(again, told.read(documents))
    first, second = state(told), state(again)
    told.close()
    again.close()

    assert first == second
    stands = {row["serial"]: row["standing"] for row in first["stands"]}
    assert (stands["S0000001"], stands["S0000002"]) == ("fit", "unfit")
    assert {row["serial"] for row in first["open"]} >= {"S0000002", "S0000003"}


@pytest.mark.proof
def test_what_is_left_after_thinning_is_judged_the_same(told: SqliteStore, tmp_path: Path) -> None:
    """With everything judged wiped, the thinned database and the whole one come to the same state again."""
    keeping.back_up(tmp_path / "lived.db", tmp_path / "whole.db")
    whole = SqliteStore(tmp_path / "whole.db")
    last = NOON + STORY_DAYS * DAY
    settings = Settings.model_validate(
        {"retention": {"health_days": 1, "spot_trace_days": 1, "take_days": 1}}
    )
    before = len(told.read(lambda tx: tx.query("SELECT report_id FROM reports")))
    told.write(lambda tx: tx.run("UPDATE drives SET open_alerts = 0"))  # else their traces are kept
    keep_within_retention(told, last, settings)
    after = len(told.read(lambda tx: tx.query("SELECT report_id FROM reports")))
    for store in (told, whole):
        store.write(forget_what_was_judged)
        for hours in (1, 30, 60):
            rounds(store, last + timedelta(hours=hours))
    thinned, kept = state(told), state(whole)
    told.close()
    whole.close()

    assert after < before / 10
    assert thinned == kept
    assert thinned["open"]
