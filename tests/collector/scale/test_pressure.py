"""Agents are told to come back when too many requests wait."""

from ebbmark_collector.http.pressure import Pressure


def test_nobody_is_turned_away_while_few_wait() -> None:
    """At the limit requests are still let in."""
    pressure = Pressure(64)

    assert all(pressure.come_back_in_s(64, float(n)) is None for n in range(100))


def test_who_is_turned_away_is_told_when() -> None:
    """Beyond the limit the answer is whole seconds, at least one and never more than two minutes."""
    pressure = Pressure(64)
    waits = [pressure.come_back_in_s(65, n / 100) for n in range(10_000)]

    assert all(wait is not None and 1 <= wait <= 120 for wait in waits)
    assert len(set(waits)) > 20


def test_waits_follow_the_crowd() -> None:
    """The more come for each that is let in, the longer they are told to stay away, or the shorter."""
    pressure = Pressure(64)
    for n in range(3_000):
        pressure.come_back_in_s(1_000 if n % 100 else 0, n / 300)
    crowded = [pressure.come_back_in_s(1_000, 11.0) or 0 for _ in range(500)]
    for n in range(300):
        pressure.come_back_in_s(0, 12.0 + n / 10)
    quiet = [pressure.come_back_in_s(65, 43.0) or 0 for _ in range(500)]

    assert sum(crowded) / 500 > 40
    assert sum(quiet) / 500 < 5
