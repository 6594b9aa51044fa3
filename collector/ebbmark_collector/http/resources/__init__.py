"""The resources of the API: one module each, models and views side by side."""

from ebbmark_collector.http.operation import Operation
from ebbmark_collector.http.resources import enrolments, intake, service


def every_operation() -> list[Operation]:
    """Give every operation of the API, in the order they are documented."""
    tables = (service.routes, intake.routes, enrolments.routes)
    return [operation for table in tables for operation in table.operations]
