"""Which orders are taken, and what is left of them inside the owner's limits.

Orders come only over the agent's own authenticated connection. A document is refused if it is malformed,
meant for another host, past its end, or older than the one held; the held one then stays in force until its
own end. Of two that bear the same instant the one fetched later holds, since a collector may count in hours.
Taken orders can narrow what the owner allows, never widen it.
"""

from collections.abc import Iterable
from datetime import datetime

from pydantic import ValidationError

from ebbmark_agent.errors import OrdersRefusedError
from ebbmark_agent.report import Orders, ProbeOrder, SubjectOrder
from ebbmark_agent.report.orders import ORDERS_VERSION
from ebbmark_agent.settings import LimitSettings


def read_orders(document: bytes | str) -> Orders:
    """Read an orders document.

    Args:
        document: Its JSON text.

    Returns:
        The orders.

    Raises:
        OrdersRefusedError: It is malformed.
    """
    try:
        return Orders.model_validate_json(document)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "document"
        raise OrdersRefusedError(reason=f"{where}: {first['msg']}.") from error


def accept_orders(orders: Orders, *, host_id: str, held: Orders | None, now: datetime) -> Orders:
    """Decide whether a document replaces the one held.

    Args:
        orders: The document.
        host_id: This machine's name at the collector.
        held: The orders in force, or None.
        now: The present instant.

    Returns:
        The document.

    Raises:
        OrdersRefusedError: It is for another host, expired, replayed or of an unknown version.
    """
    if orders.host_id != host_id:
        raise OrdersRefusedError(reason=f"They are for host {orders.host_id}, this is {host_id}.")
    if orders.version > ORDERS_VERSION:
        raise OrdersRefusedError(reason=f"Their version {orders.version} is newer than this agent.")
    if orders.valid_until <= now:
        raise OrdersRefusedError(reason=f"They ended at {orders.valid_until:%Y-%m-%d %H:%M %Z}.")
    if orders.valid_until <= orders.issued_at:
        raise OrdersRefusedError(reason="They end before they begin.")
    if held is not None and orders.issued_at < held.issued_at:
        raise OrdersRefusedError(reason="They are older than those in force (replayed or late).")
    return orders


def in_force(orders: Orders | None, *, now: datetime) -> bool:
    """Say whether orders are there and have not ended.

    Args:
        orders: The orders held.
        now: The present instant.
    """
    return orders is not None and now < orders.valid_until


def order_for(
    orders: Orders | None, *, drive_names: Iterable[str], volume_id: str | None
) -> SubjectOrder | None:
    """Give what is ordered for a drive or volume: by the drive's own names first, then by the volume.

    Args:
        orders: The orders held.
        drive_names: The drive's names, as `DriveIdentity.names` gives them.
        volume_id: The volume, or None.
    """
    if orders is None:
        return None
    names = set(drive_names)
    by_drive = (one for one in orders.subjects if names.intersection(one.drive_names))
    by_volume = (one for one in orders.subjects if volume_id is not None and one.volume_id == volume_id)
    return next(by_drive, None) or next(by_volume, None)


def open_probe_orders(
    orders: Orders | None, *, carried_out: Iterable[str], now: datetime
) -> tuple[ProbeOrder, ...]:
    """Give the single probes that are asked for, due and not yet carried out.

    Args:
        orders: The orders held.
        carried_out: The ids of those that were.
        now: The present instant.
    """
    if orders is None:
        return ()
    done = set(carried_out)
    return tuple(
        one for one in orders.probes if one.order_id not in done and one.not_before <= now < one.ends_at
    )


def wear_share(order: SubjectOrder | None, limits: LimitSettings) -> float:
    """Give the share of rated endurance for probing: the owner's, or the ordered one where that is less.

    Args:
        order: What is ordered for the drive.
        limits: What the owner allows.

    Returns:
        The share a year [1].
    """
    return (
        limits.wear_share_a_year if order is None else min(order.wear_share_a_year, limits.wear_share_a_year)
    )
