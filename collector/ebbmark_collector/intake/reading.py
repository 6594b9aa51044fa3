"""From bytes to reports: strict JSON, every fault named by its field, the document kept as it came."""

import json
from dataclasses import dataclass
from typing import Any

from ebbmark_agent.report import MAX_REPORTS_A_REQUEST, WIRE_VERSION, Report
from pydantic import ValidationError
from pydantic_core import from_json, to_json

from ebbmark_collector.errors import DocumentError

_FAULTS_TOLD = 5  # [1] more than these help nobody read the answer


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrived:
    """One report of a batch: readable, or the sentence that says why not."""

    report_id: str | None
    document: bytes
    report: Report | None = None
    problem: str | None = None


def faults_of(error: ValidationError) -> list[tuple[str, str]]:
    """Give each fault as field and sentence, without ever repeating what was sent."""
    return [
        (".".join(str(part) for part in fault["loc"]), str(fault["msg"]))
        for fault in error.errors(include_url=False, include_context=False, include_input=False)
    ]


def _sentence(error: ValidationError) -> str:
    faults = faults_of(error)
    told = "; ".join(f"{field}: {text}" if field else text for field, text in faults[:_FAULTS_TOLD])
    more = f"; and {len(faults) - _FAULTS_TOLD} more" if len(faults) > _FAULTS_TOLD else ""
    return f"The report does not fit wire version {WIRE_VERSION}: {told}{more}."


def read_report(document: bytes) -> Arrived:
    """Validate one report's bytes."""
    try:
        report = Report.model_validate_json(document)
    except ValidationError as error:
        return Arrived(report_id=_id_in(document), document=document, problem=_sentence(error))
    return Arrived(report_id=report.report_id, document=document, report=report)


def _id_in(document: bytes) -> str | None:
    try:
        value = from_json(document)
    except ValueError:
        return None
    found = value.get("report_id") if isinstance(value, dict) else None
    return found if isinstance(found, str) and 0 < len(found) <= 64 else None


def read_batch(data: bytes) -> list[Arrived]:
    """Take a request's body apart into its reports, each judged by itself.

    Raises:
        ValueError: When it is not JSON.
        DocumentError: When there is no list of reports, or one too long.
    """
    value: Any = from_json(data, allow_inf_nan=False)
    reports = value.get("reports") if isinstance(value, dict) else None
    if not isinstance(reports, list) or not reports:
        raise DocumentError("A batch needs a list of at least one report.", field="reports")
    if len(reports) > MAX_REPORTS_A_REQUEST:
        raise DocumentError(
            f"A request carries at most {MAX_REPORTS_A_REQUEST} reports; send the others in the next.",
            field="reports",
        )
    for number, part in enumerate(reports):
        if not isinstance(part, dict):
            raise DocumentError("A report is a JSON object.", field=f"reports.{number}")
    return [_read_part(part) for part in reports]


def _read_part(part: dict[str, Any]) -> Arrived:
    document = to_json(part)
    if b"Infinity" in document:
        # 1e400 is JSON, and infinite to every reader; the same letters may stand in a text.
        try:
            json.dumps(part, allow_nan=False)
        except ValueError:
            named = part.get("report_id")
            report_id = named if isinstance(named, str) and 0 < len(named) <= 64 else None
            problem = "A number in it is larger than a double can hold."
            return Arrived(report_id=report_id, document=b"", problem=problem)
    return read_report(document)
