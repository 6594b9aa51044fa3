"""Which orders are taken."""

from datetime import UTC, datetime, timedelta

import pytest
from ebbmark_agent.consent import (
    accept_orders,
    in_force,
    open_probe_orders,
    order_for,
    read_orders,
    wear_share,
)
from ebbmark_agent.errors import OrdersRefusedError
from ebbmark_agent.report import Orders, ProbeKind, ProbeOrder, SubjectOrder
from ebbmark_agent.settings import LimitSettings

NOW = datetime(2026, 3, 10, 2, 30, tzinfo=UTC)
HELD = Orders(
    host_id="host-1",
    issued_at=NOW - timedelta(hours=1),
    valid_until=NOW + timedelta(days=7),
    probing_enabled=True,
)


def taken(orders: Orders, held: Orders | None = HELD) -> Orders:
    """Offer orders to host-1 now."""
    return accept_orders(orders, host_id="host-1", held=held, now=NOW)


def test_newer_orders_replace_older() -> None:
    """A document issued later is taken as a whole, and the same one again does no harm."""
    newer = HELD.model_copy(update={"issued_at": NOW, "probing_enabled": False})

    assert taken(newer) == newer
    assert taken(HELD) == HELD
    assert taken(HELD.model_copy(update={"show": True})).show
    assert taken(HELD, held=None) == HELD


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"host_id": "host-2"}, "for host host-2"),
        ({"valid_until": NOW}, "ended at 2026-03-10 02:30 UTC"),
        ({"issued_at": NOW - timedelta(hours=2)}, "older than those in force"),
        ({"issued_at": NOW + timedelta(days=9)}, "end before they begin"),
        ({"version": 2}, "newer than this agent"),
    ],
    ids=["other-host", "expired", "replayed", "upside-down", "newer-version"],
)
def test_bad_orders_are_refused(change: dict[str, object], says: str) -> None:
    """Orders for another host, expired, replayed or of a newer version are refused with why."""
    with pytest.raises(OrdersRefusedError, match=says):
        taken(HELD.model_copy(update=change))


@pytest.mark.parametrize(
    "document",
    [b"", b"{", b"[]", b"{}", b'{"host_id": "host-1", "issued_at": "yesterday", "valid_until": "never"}'],
)
def test_malformed_orders_are_refused(document: bytes) -> None:
    """What is no orders document is refused, never half taken."""
    with pytest.raises(OrdersRefusedError):
        read_orders(document)


def test_orders_survive_the_wire() -> None:
    """Orders read back from their JSON are the same."""
    assert read_orders(HELD.model_dump_json()) == HELD


def test_orders_end() -> None:
    """Held orders are in force until their end and not at it; none are never in force."""
    assert in_force(HELD, now=HELD.valid_until - timedelta(seconds=1))
    assert not in_force(HELD, now=HELD.valid_until)
    assert not in_force(None, now=NOW)


def test_a_single_probe_is_carried_out_once() -> None:
    """An ordered probe is open between its times and until it was carried out."""
    soak = ProbeOrder(
        order_id="o1",
        kind=ProbeKind.SOAK,
        not_before=NOW,
        ends_at=NOW + timedelta(hours=8),
        max_bytes=10**12,
        drive_names=("wwn:1",),
    )
    orders = HELD.model_copy(update={"probes": (soak,)})

    assert open_probe_orders(orders, carried_out=(), now=NOW) == (soak,)
    assert open_probe_orders(orders, carried_out=("o1",), now=NOW) == ()
    assert open_probe_orders(orders, carried_out=(), now=NOW - timedelta(seconds=1)) == ()
    assert open_probe_orders(orders, carried_out=(), now=soak.ends_at) == ()


def test_a_drives_own_name_wins_over_the_volume() -> None:
    """A drive that moved keeps its role by its own name, whatever volume it is seen through."""
    by_drive = SubjectOrder(drive_names=("wwn:1",), role="recorder", recorder=True)
    by_volume = SubjectOrder(volume_id="v1", role="scratch", recorder=False)
    orders = HELD.model_copy(update={"subjects": (by_volume, by_drive)})

    assert order_for(orders, drive_names=("serial:x", "wwn:1"), volume_id="v1") == by_drive
    assert order_for(orders, drive_names=(), volume_id="v1") == by_volume
    assert order_for(orders, drive_names=(), volume_id=None) is None
    assert order_for(None, drive_names=("wwn:1",), volume_id=None) is None


@pytest.mark.parametrize(("ordered", "share"), [(0.5, 0.01), (0.002, 0.002)])
def test_orders_never_widen_the_wear_share(ordered: float, share: float) -> None:
    """An ordered share above the owner's is cut to it; a smaller one holds."""
    order = SubjectOrder(role="recorder", recorder=True, wear_share_a_year=ordered)

    assert wear_share(order, LimitSettings()) == share
