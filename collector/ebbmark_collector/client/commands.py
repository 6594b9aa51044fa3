"""Every command of the client, in the order people need them."""

from ebbmark_collector.client import alerts, answering, checking, doing, looking
from ebbmark_collector.client.frame import main

__all__ = ["alerts", "answering", "checking", "doing", "looking", "main"]
