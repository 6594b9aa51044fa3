"""The resources of the API: one module each, models and views side by side."""

from ebbmark_collector.http.operation import Operation
from ebbmark_collector.http.resources import (
    access,
    alerts,
    answers,
    asked,
    assignments,
    drawings,
    drive_history,
    drives,
    enrolments,
    exports,
    fleet,
    hosts,
    intake,
    kits,
    plans,
    probes,
    roles,
    service,
)

_TABLES = (
    service,
    intake,
    enrolments,
    fleet,
    hosts,
    drives,
    drive_history,
    probes,
    drawings,
    alerts,
    roles,
    assignments,
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
