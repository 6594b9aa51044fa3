"""What an agent does: hand in reports, fetch its orders."""

from typing import Annotated, Any

from ebbmark_agent.report import MAX_REPORTS_A_REQUEST
from pydantic import Field
from pydantic_core import to_json

from ebbmark_collector.http.operation import Call, In, Out, Reply, Routes, Scope
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.intake import accept_many
from ebbmark_collector.intake.reading import read_batch

routes = Routes("intake")


class Batch(In):
    """Reports of one host. Each is judged by itself: one that does not fit does not hold up the others."""

    reports: list[
        Annotated[
            dict[str, Any],
            Field(description="A report, as the schema `Report` says.", json_schema_extra={"examples": [{}]}),
        ]
    ] = Field(min_length=1, max_length=MAX_REPORTS_A_REQUEST)


class RefusedReport(Out):
    """A report that was not taken in; sending it again does not help."""

    report_id: str | None
    problem: str


class IntakeReceipt(Out):
    """What became of each report. `accepted` and `repeated` are on the collector's disk."""

    accepted: list[str]
    repeated: list[str]
    refused: list[RefusedReport]


@routes.add(
    "POST",
    "/v1/reports",
    summary="Hand in reports",
    scopes=(Scope.AGENT,),
    body=Batch,
    raw_body=True,
    answers={200: IntakeReceipt},
    description="A report is stored before it is acknowledged and accepted once, whatever is sent again.",
)
def post_reports(call: Call) -> Reply:
    """Take in a batch."""
    assert call.principal is not None
    try:
        arrived = read_batch(call.raw)
    except ValueError as error:
        raise HttpProblem(400, f"The body is not JSON: {error}.") from error
    receipt = accept_many(call.store, arrived, host_id=call.principal.host_id or "", received_at=call.now)
    # Written without the model that describes it: making one costs a fiftieth of taking in a report.
    refused = [{"report_id": one.report_id, "problem": one.problem} for one in receipt.refused]
    return Reply(
        body=to_json({"accepted": receipt.accepted, "repeated": receipt.repeated, "refused": refused})
    )
