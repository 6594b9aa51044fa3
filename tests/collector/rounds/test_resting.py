"""Judging by the clock lets requests go first, but not for ever."""

import threading
from collections import Counter
from datetime import datetime, timedelta
from itertools import count

from ebbmark_collector.rounds.fleet import judge_fleet, keep_within_retention, listen_for_silence
from ebbmark_collector.rounds.resting import LONGEST_S, TIMES, Rests
from ebbmark_collector.rounds.stepping import CHUNK, STEP_S, Pace
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store

from tests.collector import wire
from tests.collector.conftest import NOON
from tests.collector.intake.test_accept import enrol, take


class Stopping(threading.Event):
    """An event that lets a test's own clock go on instead of waiting."""

    now_s = 0.0

    def wait(self, timeout: float | None = None) -> bool:
        """Go on by the time that would have been waited."""
        self.now_s += timeout or 0.0
        return self.is_set()


def _rests(waiting: list[int], stopping: Stopping) -> Rests:
    return Rests(lambda: waiting.pop(0) if waiting else 0, lambda: stopping.now_s, stopping)


def test_nobody_waits_so_there_is_no_rest() -> None:
    """On a quiet collector a round takes no longer than before."""
    assert _rests([], Stopping())() == timedelta(0)


def test_a_round_takes_a_third_of_the_time_where_nobody_waits() -> None:
    """After a step of 30 ms it rests for 60, and for no more than a moment after the pause between two."""
    stopping = Stopping()
    rests = _rests([], stopping)
    stopping.now_s += 0.03
    assert abs(rests() - timedelta(seconds=TIMES * 0.03)) < timedelta(milliseconds=1)
    stopping.now_s += 15.0
    assert timedelta(0) < rests() < timedelta(seconds=LONGEST_S / 2)


def test_a_rest_ends_when_nobody_waits() -> None:
    """It lasts until the first look at which no request waits, and says how long that was."""
    assert timedelta(0) < _rests([5, 3, 0, 9], Stopping())() < timedelta(seconds=LONGEST_S / 2)


def test_a_crowd_without_end_holds_a_round_up_for_a_moment_only() -> None:
    """A round goes on after the longest rest, though as many wait as before."""
    rested = _rests([1] * 10_000, Stopping())()

    assert abs(rested - timedelta(seconds=LONGEST_S)) < timedelta(milliseconds=1)


def test_there_is_no_rest_at_the_end() -> None:
    """A collector that stops does not wait for a round that rests."""
    stopping = Stopping()
    stopping.set()

    assert _rests([1] * 10_000, stopping)() < timedelta(seconds=LONGEST_S / 2)


def test_a_round_that_rested_judges_at_the_time_it_is_then(store: Store) -> None:
    """Each transaction is judged at its own start, the rests before it counted, not at one long past."""
    _many_drives(store, 2 * CHUNK)
    later = NOON + timedelta(hours=1)
    judge_fleet(store, later, everything=True, pace=Pace(rest=lambda: timedelta(minutes=1)))

    assert _judged_ms_after(store, later) == {60_000: CHUNK, 120_000: CHUNK}


def test_a_slow_round_lets_others_go_after_a_moment(store: Store) -> None:
    """A drive takes two fifths of a step, so three share a transaction; all are judged, each once."""
    _many_drives(store, 10)
    later, passed = NOON + timedelta(hours=1), count(step=0.4 * STEP_S)
    pace = Pace(rest=lambda: timedelta(minutes=1), now_s=lambda: next(passed))
    judged = judge_fleet(store, later, everything=True, pace=pace)

    assert judged == 10
    assert _judged_ms_after(store, later) == {60_000: 3, 120_000: 3, 180_000: 3, 240_000: 1}


def test_a_drive_that_takes_longer_than_a_step_is_judged_all_the_same(store: Store) -> None:
    """A round ends, however slow the machine: each transaction judges one drive at least."""
    _many_drives(store, 4)
    later, passed = NOON + timedelta(hours=1), count(step=10 * STEP_S)
    pace = Pace(rest=lambda: timedelta(minutes=1), now_s=lambda: next(passed))
    judge_fleet(store, later, everything=True, pace=pace)

    assert _judged_ms_after(store, later) == {60_000 * n: 1 for n in range(1, 5)}


def test_listening_for_silence_lets_others_go_too(store: Store) -> None:
    """Forty hosts are listened to in as many transactions on a machine that is slow enough; all are told."""
    for number in range(40):
        enrol(store, f"host-{number:02}")
    passed, rested = count(step=10 * STEP_S), count()

    def rest() -> timedelta:
        next(rested)
        return timedelta(0)

    listen_for_silence(store, NOON + timedelta(days=30), pace=Pace(rest=rest, now_s=lambda: next(passed)))

    silent = store.read(
        lambda tx: tx.query("SELECT DISTINCT host_id FROM alerts WHERE condition = 'silent_host'")
    )
    assert next(rested) == 40
    assert len(silent) == 40


def test_retention_lets_others_go_too(store: Store) -> None:
    """A year later each host and drive is kept in a transaction of its own where that is slow; all are."""
    _many_drives(store, 5)
    take(store, wire.status(NOON + timedelta(minutes=5)), at=NOON + timedelta(minutes=5))
    passed, rested = count(step=10 * STEP_S), count()

    def rest() -> timedelta:
        next(rested)
        return timedelta(0)

    pace = Pace(rest=rest, now_s=lambda: next(passed))
    keep_within_retention(store, NOON + timedelta(days=365), Settings(), pace=pace)

    assert next(rested) == 6
    assert store.read(lambda tx: tx.query("SELECT report_id FROM reports")) == []


def _many_drives(store: Store, number: int) -> None:
    enrol(store, "host-1")
    identities = [
        wire.OWN.model_copy(update={"serial": f"S{i:04}", "wwn": f"wwn{i:04}"}) for i in range(number)
    ]
    take(store, wire.inventory(NOON, identities=identities), at=NOON)


def _judged_ms_after(store: Store, start: datetime) -> dict[int, int]:
    """Give how many drives were judged at which time after `start` [ms]."""
    rows = store.read(lambda tx: tx.query("SELECT judged_ms FROM drives ORDER BY judged_ms"))
    return dict(Counter(row["judged_ms"] - round(start.timestamp() * 1_000) for row in rows))
