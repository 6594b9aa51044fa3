"""The way to the collector: enrol, fetch orders, deliver reports."""

from ebbmark_agent.uplink.delivery import Delivered, Pause, deliver
from ebbmark_agent.uplink.http import Claimed, Collector, FetchedOrders, Received, refuse_insecure
from ebbmark_agent.uplink.token import read_token, write_token

__all__ = [
    "Claimed",
    "Collector",
    "Delivered",
    "FetchedOrders",
    "Pause",
    "Received",
    "deliver",
    "read_token",
    "refuse_insecure",
    "write_token",
]
