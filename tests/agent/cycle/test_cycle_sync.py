"""Talking to the collector: orders in, reports out, against a real HTTP server on loopback."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from ebbmark_agent.clock import Clock
from ebbmark_agent.cycle import Running, SyncEnd, say_status, sync
from ebbmark_agent.database import AgentDatabase
from ebbmark_agent.errors import TokenFileError
from ebbmark_agent.memory import Enrolment, Memory
from ebbmark_agent.report import Orders, Report, StatusBody
from ebbmark_agent.uplink import write_token

from tests.agent.standin_collector import TOKEN, Answer, StandIn, standing_in
from tests.rigs.probing_agent import BEGIN, agent_in


class HandClock:
    """A wall clock set by hand."""

    def __init__(self) -> None:
        """Begin."""
        self.now = BEGIN

    def clock(self) -> Clock:
        """Give it as the agent's clocks."""
        return Clock(utc=lambda: self.now)


@pytest.fixture
def hand() -> HandClock:
    """A wall clock set by hand."""
    return HandClock()


@pytest.fixture
def stand_in() -> Iterator[StandIn]:
    """A collector on loopback."""
    with standing_in() as state:
        yield state


@pytest.fixture
def running(tmp_path: Path, stand_in: StandIn, hand: HandClock) -> Running:
    """An agent enrolled there."""
    agent = agent_in(tmp_path, clock=hand.clock())
    agent.memory.enrolled(Enrolment(host_id="host-1", collector_url=stand_in.url))
    write_token(agent.settings.token_path, TOKEN)
    return agent


def orders(hand: HandClock, *, age_h: float = 0.0, **fields: object) -> Orders:
    """Make orders issued so long ago."""
    return Orders(
        host_id="host-1",
        issued_at=hand.now - timedelta(hours=age_h),
        valid_until=hand.now + timedelta(days=1),
        probing_enabled=True,
    ).model_copy(update=fields)


def test_orders_are_taken_and_outlive_a_restart(running: Running, stand_in: StandIn, hand: HandClock) -> None:
    """Orders that were fetched are in force, and still are after a restart without the collector."""
    stand_in.orders = orders(hand).model_dump_json().encode()

    assert sync(running) is SyncEnd.DELIVERED
    assert running.orders == orders(hand)
    assert Memory(AgentDatabase(running.settings.database_path)).orders() == (orders(hand), '"1"')


def test_a_new_enrolment_has_no_orders(running: Running, stand_in: StandIn, hand: HandClock) -> None:
    """Orders of an earlier enrolment are forgotten when the machine is enrolled anew."""
    stand_in.orders = orders(hand).model_dump_json().encode()
    sync(running)
    running.memory.enrolled(Enrolment(host_id="host-2", collector_url=stand_in.url))

    assert running.memory.orders() == (None, None)


@pytest.mark.parametrize(
    "document", [b"{", b'{"host_id": "host-2"}', b""], ids=["malformed", "incomplete", "empty"]
)
def test_bad_orders_leave_the_held_ones_in_force(
    running: Running, stand_in: StandIn, hand: HandClock, document: bytes
) -> None:
    """Malformed orders are refused and remarked on in the next status; the last good ones stay."""
    stand_in.orders = orders(hand).model_dump_json().encode()
    sync(running)
    stand_in.orders, stand_in.orders_tag = document, '"2"'
    sync(running)
    say_status(running)
    status = Report.model_validate_json(running.spool.next_batch(most=1, most_bytes=1)[0].body).body

    assert running.orders == orders(hand)
    assert isinstance(status, StatusBody)
    assert any("orders were not taken" in remark for remark in status.remarks)


def test_replayed_orders_are_refused(running: Running, stand_in: StandIn, hand: HandClock) -> None:
    """An older document offered later, with wider leave, changes nothing."""
    stand_in.orders = orders(hand, probing_enabled=False).model_dump_json().encode()
    sync(running)
    stand_in.orders, stand_in.orders_tag = orders(hand, age_h=5).model_dump_json().encode(), '"2"'
    sync(running)

    assert running.orders is not None
    assert not running.orders.probing_enabled


def test_reports_are_delivered_after_the_orders(running: Running, stand_in: StandIn, hand: HandClock) -> None:
    """One round fetches orders, delivers what waits, and remembers the contact."""
    stand_in.orders = orders(hand).model_dump_json().encode()
    say_status(running)

    assert sync(running) is SyncEnd.DELIVERED
    assert [method for method, _, _ in stand_in.requests] == ["GET", "POST"]
    assert running.spool.waiting() == 0
    assert running.memory.last_done("contact") == hand.now


def test_a_busy_collector_is_left_alone(running: Running, stand_in: StandIn, hand: HandClock) -> None:
    """After Retry-After nothing is asked until it has passed, then everything is delivered."""
    stand_in.orders = orders(hand).model_dump_json().encode()
    stand_in.script.append(Answer(503, headers={"Retry-After": "600"}))
    say_status(running)

    assert sync(running) is SyncEnd.FAILED
    hand.now += timedelta(seconds=599)
    assert sync(running) is SyncEnd.LEFT_ALONE
    assert len(stand_in.requests) == 1
    hand.now += timedelta(seconds=302)
    assert sync(running) is SyncEnd.DELIVERED


def test_a_clock_that_jumped_back_does_not_starve_delivery(
    running: Running, stand_in: StandIn, hand: HandClock
) -> None:
    """A pause made before the clock jumped back by a year does not last that year."""
    stand_in.orders = orders(hand).model_dump_json().encode()
    stand_in.script.append(Answer(503))
    sync(running)
    hand.now -= timedelta(days=365)

    assert sync(running) is not SyncEnd.LEFT_ALONE


def test_a_token_others_can_read_is_refused(running: Running) -> None:
    """The agent does not send a token that others on the machine can read."""
    running.settings.token_path.chmod(0o640)

    with pytest.raises(TokenFileError):
        sync(running)


def test_nothing_private_is_in_a_status(running: Running, stand_in: StandIn) -> None:
    """The text that leaves carries no path of this machine's folders."""
    running.settings = running.settings.model_copy()
    say_status(running)
    text = running.spool.next_batch(most=1, most_bytes=1)[0].body

    assert str(running.settings.state_dir) not in text
    assert json.loads(text)["body"]["kind"] == "status"


def test_dropped_reports_are_told_once(running: Running, stand_in: StandIn, hand: HandClock) -> None:
    """The status after a drop tells of it, the one after that does not."""
    tight = running.settings.spool.model_construct(max_reports=0, max_bytes=10**9)
    running.spool = replace_limits(running, tight)
    say_status(running)
    running.spool = replace_limits(running, running.settings.spool)
    say_status(running)
    status = Report.model_validate_json(running.spool.next_batch(most=1, most_bytes=1)[0].body).body

    assert isinstance(status, StatusBody)
    assert [(one.kind, one.count) for one in status.dropped] == [("status", 1)]


def replace_limits(running: Running, limits: object) -> object:
    """Open the same spool with other bounds."""
    return type(running.spool)(running.spool._database, limits=limits)  # type: ignore[arg-type]


def test_running_values_are_not_shared(tmp_path: Path, hand: HandClock) -> None:
    """Two agents on one machine, with folders of their own, have keys and phases of their own."""
    one, two = agent_in(tmp_path / "1", clock=hand.clock()), agent_in(tmp_path / "2", clock=hand.clock())

    assert one.phase("talk") != two.phase("talk")
    assert one.phase("talk") == agent_in(tmp_path / "1", clock=hand.clock()).phase("talk")
    assert replace(one, inventory=two.inventory).phase("talk") == one.phase("talk")
