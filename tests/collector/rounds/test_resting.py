"""Judging by the clock lets requests go first, but not for ever."""

import threading
from datetime import timedelta

from ebbmark_collector.rounds.fleet import CHUNK, judge_fleet
from ebbmark_collector.rounds.resting import LONGEST_S, Rests
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
    enrol(store, "host-1")
    identities = [
        wire.OWN.model_copy(update={"serial": f"S{i:04}", "wwn": f"wwn{i:04}"}) for i in range(2 * CHUNK)
    ]
    take(store, wire.inventory(NOON, identities=identities), at=NOON)
    later = NOON + timedelta(hours=1)
    judge_fleet(store, later, everything=True, rest=lambda: timedelta(minutes=1))
    judged = store.read(lambda tx: tx.query("SELECT DISTINCT judged_ms FROM drives ORDER BY judged_ms"))

    start_ms = round(later.timestamp() * 1_000)
    assert [row["judged_ms"] - start_ms for row in judged] == [60_000, 120_000]
