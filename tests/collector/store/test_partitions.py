"""Reports by the month on PostgreSQL."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest
from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import keep_within_retention
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store, partitions, reports
from ebbmark_collector.store.postgres import PostgresStore

from tests.collector import wire
from tests.collector.conftest import NOON
from tests.collector.store.test_contract import add

pytestmark = pytest.mark.postgres


@pytest.fixture
def ready(new_postgres: Callable[[], str]) -> Iterator[Store]:
    """A PostgreSQL store with a host."""
    store = PostgresStore(new_postgres(), pool=2)
    store.write(lambda tx: add(tx, "host-1"))
    yield store
    store.close()


def _months(store: Store) -> list[str]:
    return store.read(partitions.partitions)


def test_a_month_is_made_before_its_first_report(ready: Store) -> None:
    """This month and the next two have partitions; other months are in the rest."""
    partitions.keep_months(ready, NOON)

    assert _months(ready) == ["reports_2026_03", "reports_2026_04", "reports_2026_05", "reports_rest"]


def test_reports_that_came_before_their_month_are_moved(ready: Store) -> None:
    """What the rest took is found in its month afterwards, and by its id."""
    said = [wire.inventory(NOON - timedelta(days=40)), wire.soak(NOON - timedelta(days=40), 150e6)]
    accept_many(ready, said, host_id="host-1", received_at=NOON)

    partitions.keep_months(ready, NOON)

    assert "reports_2026_01" in _months(ready)
    assert ready.read(lambda tx: tx.query("SELECT report_id FROM reports_rest")) == []
    kept = ready.read(lambda tx: reports.report(tx, said[1].report_id))
    assert kept is not None
    assert said[1].model_dump_json().encode() == kept["document"]


def test_an_empty_month_is_dropped_and_a_soak_s_stays(ready: Store) -> None:
    """Routine health goes with its month; a month that holds a soak stays."""
    old = NOON - timedelta(days=100)
    said = [wire.inventory(old), wire.soak(old + timedelta(days=1), 150e6)]
    said += [wire.health(NOON - timedelta(days=70))]
    accept_many(ready, said, host_id="host-1", received_at=NOON - timedelta(days=60))
    partitions.keep_months(ready, NOON - timedelta(days=59))
    assert {"reports_2025_11", "reports_2025_12"} <= set(_months(ready))

    keep_within_retention(ready, NOON, Settings())
    keep_within_retention(ready, NOON, Settings())

    assert "reports_2025_12" not in _months(ready)
    assert "reports_2025_11" in _months(ready)


def test_reports_between_two_months_lie_on_their_own_side() -> None:
    """The year turns after December."""
    december = datetime(2026, 12, 1, tzinfo=UTC)

    assert datetime(2027, 1, 1, tzinfo=UTC) == partitions.month_after(december)
    assert december == partitions.month_of(datetime(2026, 12, 31, 23, 59, 59, tzinfo=UTC))
