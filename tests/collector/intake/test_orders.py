"""What is ordered for one host: a drive that lost its trim is soaked early, others as their role says."""

from datetime import datetime, timedelta
from typing import Any

from ebbmark_agent.report import DiscardState, Report
from ebbmark_collector.intake.orders import orders_for
from ebbmark_collector.intake.rulebook import rulebook
from ebbmark_collector.rounds import judge_fleet
from ebbmark_collector.store import Store, Tx, hosts

from tests.collector import wire
from tests.collector.conftest import NOON
from tests.collector.intake.test_accept import assign, enrol, take

DAY = timedelta(days=1)


def _telling(one: Report, **facts: Any) -> Report:
    """Change the result of a probe's report, or each drive of an inventory."""
    body: Any = one.body
    if hasattr(body, "result"):
        body = body.model_copy(update={"result": body.result.model_copy(update=facts)})
    else:
        body = body.model_copy(update={"drives": tuple(d.model_copy(update=facts) for d in body.drives)})
    return one.model_copy(update={"body": body})


def _soak_every_days(store: Store, now: datetime) -> float:
    def ask(tx: Tx) -> float:
        row = hosts.host(tx, "host-1")
        assert row is not None
        (subject,) = orders_for(tx, row, rulebook(tx), now).subjects
        assert subject.soak_every_s is not None
        return subject.soak_every_s / 86_400.0

    return store.read(ask)


def test_a_drive_whose_trim_stopped_is_ordered_to_be_soaked_early(store: Store) -> None:
    """The order's cadence shortens while the alert is up, and is the role's again once trim is back."""
    enrol(store, "host-1")
    assign(store)
    last = NOON + 20 * DAY
    told = [
        _telling(wire.inventory(NOON), trim=True),
        _telling(wire.soak(NOON, 500e6), discard=DiscardState.ASKED),
        _telling(wire.inventory(last), trim=False),
        _telling(wire.probe(last, 500e6), discard=DiscardState.NOT_POSSIBLE),
    ]
    take(store, *told[:2])
    judge_fleet(store, NOON)
    usual = _soak_every_days(store, NOON)
    take(store, *told[2:], at=last)
    for day in range(4):
        judge_fleet(store, last + day * DAY, everything=True)
    hurried = _soak_every_days(store, last + 4 * DAY)
    back = last + 5 * DAY
    again = _telling(wire.probe(back, 500e6), discard=DiscardState.ASKED)
    take(store, _telling(wire.inventory(back), trim=True), again, at=back)
    for day in range(20):
        judge_fleet(store, back + day * DAY, everything=True)

    assert usual > 34.0
    assert hurried == 34.0
    assert _soak_every_days(store, back + 20 * DAY) == usual
