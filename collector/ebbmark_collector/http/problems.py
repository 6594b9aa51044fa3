"""Every error as a problem document, whatever raised it.

Source: RFC 9457, Problem Details for HTTP APIs (2023); WWW-Authenticate as in RFC 6750, section 3.
"""

import json
import logging
import secrets
from typing import Any

from flask import Flask, Response, request
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from werkzeug.exceptions import HTTPException

from ebbmark_collector.errors import Busy, CollectorError, DocumentError, StorageFull, Unreachable

_LOG = logging.getLogger(__name__)
MEDIA = "application/problem+json"
RETRY_AFTER_S = 5  # [s] long enough for a busy database to let go

_TYPES = {
    400: ("malformed", "The request cannot be read"),
    401: ("unauthenticated", "A token is needed"),
    403: ("forbidden", "This token may not do that"),
    404: ("not-found", "There is no such thing here"),
    405: ("method-not-allowed", "This address does not take that method"),
    406: ("not-acceptable", "That form is not offered"),
    408: ("timeout", "The request took too long to arrive"),
    409: ("conflict", "This exists already or has changed"),
    411: ("length-required", "The request must state its length"),
    412: ("changed-meanwhile", "The resource has changed since it was read"),
    413: ("too-large", "The request is too large"),
    414: ("too-large", "The address is too long"),
    415: ("unsupported-media", "The body must be JSON"),
    422: ("invalid", "The request does not fit its description"),
    428: ("precondition-needed", "If-Match is needed"),
    429: ("too-many", "Too many requests"),
    431: ("too-large", "The headers are too large"),
    500: ("internal", "The collector failed"),
    503: ("busy", "The collector is busy"),
    507: ("storage-full", "The collector's disk is full"),
}


class FieldFault(BaseModel):
    """One field that is wrong, and how."""

    field: str = Field(description="Where: a path of names and positions, joined by dots.")
    detail: str


class Problem(BaseModel):
    """A problem document (RFC 9457)."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "type": "/problems/invalid",
                    "title": "The request does not fit its description",
                    "status": 422,
                    "detail": "limit: Input should be less than or equal to 500",
                    "errors": [{"field": "limit", "detail": "Input should be less than or equal to 500"}],
                }
            ]
        }
    )

    type: str = Field(description="Names the kind of problem; the address of its explanation.")
    title: str
    status: int = Field(ge=400, le=599)
    detail: str = Field(description="What happened, and what to do.")
    instance: str | None = None
    errors: list[FieldFault] = Field(default_factory=list)


class HttpProblem(CollectorError):  # noqa: N818 -- it becomes a problem document
    """A problem of the protocol: the status is the caller's to choose."""

    def __init__(
        self, code: int, sentence: str, *, headers: dict[str, str] | None = None, field: str | None = None
    ) -> None:
        super().__init__(sentence)
        self.code = code
        self.headers = headers or {}
        self.field = field


def written(
    status: int,
    detail: str,
    *,
    kind: str | None = None,
    title: str | None = None,
    errors: list[tuple[str, str]] | None = None,
    instance: str | None = None,
) -> bytes:
    """Write a problem document."""
    known, known_title = _TYPES.get(status, ("about:blank", "The request failed"))
    body: dict[str, Any] = {
        "type": f"/problems/{kind or known}",
        "title": title or known_title,
        "status": status,
        "detail": detail,
    }
    if instance:
        body["instance"] = instance
    if errors:
        body["errors"] = [{"field": field, "detail": text} for field, text in errors]
    return json.dumps(body, ensure_ascii=False).encode()


def response(
    status: int,
    detail: str,
    *,
    kind: str | None = None,
    title: str | None = None,
    errors: list[tuple[str, str]] | None = None,
    headers: dict[str, str] | None = None,
    instance: str | None = None,
) -> Response:
    """Write a problem document as a response."""
    body = written(status, detail, kind=kind, title=title, errors=errors, instance=instance)
    reply = Response(body, status=status, content_type=MEDIA)
    reply.headers["Cache-Control"] = "no-store"
    for name, value in (headers or {}).items():
        reply.headers[name] = value
    return reply


def of_validation(error: ValidationError, *, status: int = 422) -> Response:
    """Tell every field that is wrong, never what was in it: it may have been a secret."""
    faults = [
        (".".join(str(part) for part in fault["loc"]) or "body", str(fault["msg"]))
        for fault in error.errors(include_url=False, include_context=False, include_input=False)
    ]
    detail = "; ".join(f"{field}: {text}" for field, text in faults[:3])
    return response(status, detail, errors=faults[:50])


def _of_ours(error: CollectorError) -> Response:
    if isinstance(error, HttpProblem):
        errors = [(error.field, error.sentence)] if error.field else None
        return response(error.code, error.sentence, headers=error.headers, errors=errors)
    if isinstance(error, DocumentError) and error.field:
        return response(
            error.status, error.sentence, kind=error.problem, errors=[(error.field, error.sentence)]
        )
    headers = (
        {"Retry-After": str(RETRY_AFTER_S)} if isinstance(error, Busy | Unreachable | StorageFull) else None
    )
    if error.status >= 500:
        _LOG.error("a request failed: %s", error.sentence, extra={"path": request.path})
    return response(error.status, error.sentence, kind=error.problem, title=error.title, headers=headers)


def _of_http(error: HTTPException) -> Response:
    status = error.code or 500
    detail = error.description or _TYPES.get(status, ("", "The request failed"))[1]
    reply = response(status, detail)
    for name, value in error.get_headers():
        if name.lower() not in {"content-type", "content-length"}:
            reply.headers[name] = value  # Allow on 405, Retry-After and the like stay
    return reply


def _of_anything(error: Exception) -> Response:
    mark = secrets.token_hex(6)
    _LOG.error("a request failed", exc_info=error, extra={"path": request.path, "mark": mark})
    detail = f"The collector failed in a way it did not foresee. Its log has the details under {mark}."
    return response(500, detail, instance=f"urn:ebbmark:failure:{mark}")


def install(app: Flask) -> None:
    """Make every error of an app a problem document."""
    app.register_error_handler(CollectorError, _of_ours)
    app.register_error_handler(ValidationError, of_validation)
    app.register_error_handler(HTTPException, _of_http)
    app.register_error_handler(Exception, _of_anything)


def _families(of: type[CollectorError]) -> list[type[CollectorError]]:
    return [of, *(found for child in of.__subclasses__() for found in _families(child))]


def kinds() -> dict[str, tuple[str, int]]:
    """Give every kind of problem with its title and status."""
    found = {kind: (title, status) for status, (kind, title) in sorted(_TYPES.items(), reverse=True)}
    return found | {family.problem: (family.title, family.status) for family in _families(CollectorError)}
