"""Agents are told to come back when too many requests wait."""

from ebbmark_collector.http.pressure import Pressure


def test_nobody_is_turned_away_while_few_wait() -> None:
    """At the limit requests are still let in."""
    pressure = Pressure(64)

    assert all(pressure.come_back_in_s(64, float(n)) is None for n in range(100))


def test_a_second_of_work_may_wait() -> None:
    """Where 400 were taken in in a second, 300 may wait though the setting says 64, and 500 may not."""
    pressure = Pressure(64)
    for n in range(60_000):
        pressure.come_back_in_s(1_000 if n % 3 else 0, n / 1_200)

    assert pressure.come_back_in_s(300, 50.0) is None
    assert pressure.come_back_in_s(500, 50.0) is not None


def test_those_turned_away_at_one_instant_leave_nobody_idle() -> None:
    """Whole seconds bring a crowd back at one instant of each; the collector still has work all the time.

    The collector takes in 150 a second; 3,000 agents come at once and obey Retry-After exactly.
    """
    pressure, rate_a_s, waiting, taken = Pressure(64), 150, 0, 0
    coming = {0: 3_000}
    for tick in range(60 * rate_a_s):  # as many ticks a second as are taken in
        for _ in range(coming.pop(tick, 0)):
            wait_s = pressure.come_back_in_s(waiting, tick / rate_a_s)
            if wait_s is None:
                waiting += 1
            else:
                again = tick + wait_s * rate_a_s
                coming[again] = coming.get(again, 0) + 1
        if waiting:
            waiting -= 1
            taken += 1
        if taken == 3_000:
            break

    assert taken == 3_000
    assert tick <= 1.4 * 3_000


def test_who_is_turned_away_is_told_when() -> None:
    """Beyond the limit the answer is whole seconds, at least one and never more than two minutes."""
    pressure = Pressure(64)
    waits = [pressure.come_back_in_s(1_000, n / 100) for n in range(10_000)]

    assert all(wait is not None and 1 <= wait <= 120 for wait in waits)
    assert len(set(waits)) > 20


def test_times_are_given_one_after_the_other() -> None:
    """A crowd is spread over as long as it takes to take it in, by what was taken in before."""
    pressure = Pressure(64)
    for n in range(60_000):
        pressure.come_back_in_s(1_000 if n % 3 else 0, n / 600)
    first = pressure.come_back_in_s(1_000, 300.0) or 0
    later = [pressure.come_back_in_s(1_000, 300.0) or 0 for _ in range(4_000)]

    assert first <= 3
    assert 11 <= later[-1] - first <= 15  # 200 were let in a second, so 300 are asked to come in one


def test_waits_are_short_again_when_the_crowd_has_gone() -> None:
    """Once every time that was given has passed, a request beyond the limit need not wait long."""
    pressure = Pressure(64)
    crowded = [pressure.come_back_in_s(1_000, 10.0) or 0 for _ in range(5_000)]
    quiet = [pressure.come_back_in_s(1_000, 200.0 + n) or 0 for n in range(20)]

    assert max(crowded) > 20
    assert max(quiet) <= 3
