"""The resources of the API: one module each, models and views side by side."""

from ebbmark_collector.http.operation import Operation
from ebbmark_collector.http.resources import (
    access,
    alerts,
    answers,
    asked,
    drawings,
    drives,
    enrolments,
    exports,
    fleet,
    hosts,
    intake,
    kits,
    plans,
    probes,
    rules,
    service,
)

_TABLES = (
    service,
    intake,
    enrolments,
    fleet,
    hosts,
    drives,
    probes,
    drawings,
    alerts,
    rules,
    asked,
    answers,
    kits,
    plans,
    exports,
    access,
)


def every_operation() -> list[Operation]:
    """Give every operation of the API, in the order they are documented."""
    return [operation for table in _TABLES for operation in table.routes.operations]
