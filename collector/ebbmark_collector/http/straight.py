"""The straight way in: reports handed in plainly do not pass through the web framework.

1. Requests and answers as objects of the framework cost as much as judging what was handed in.
2. The checks, their order and the view are those of the door; only what is plain goes this way: JSON as it
   is, of a stated length, without a query. Everything else takes the way of all other requests.
3. What is refused is told by the framework's own means, so a problem reads the same whichever way it came.
"""

import logging
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Protocol

from flask import Flask, request
from werkzeug.datastructures import EnvironHeaders
from werkzeug.exceptions import ClientDisconnected
from werkzeug.http import HTTP_STATUS_CODES

from ebbmark_collector.http import problems, replying
from ebbmark_collector.http.operation import Call, Operation, Principal, Reply, Services
from ebbmark_collector.http.pressure import Pressure, TurnedAway
from ebbmark_collector.http.problems import HttpProblem

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse

_COMMON = (("X-Content-Type-Options", "nosniff"), ("Cache-Control", "no-store"))
_LONGEST_DIGITS = 12  # [1] of a length that is looked at here


class Door(Protocol):
    """What the straight way asks of the door."""

    services: Services
    pressure: Pressure

    def principal(self, operation: Operation, *, address: str, shown: str | None) -> Principal | None:
        """Give who calls; see `app`."""
        ...


class StraightIn:
    """Answers plain requests of operations that read their bytes themselves; hands on all others."""

    def __init__(
        self, app: Flask, door: Door, operations: Iterable[Operation], access: logging.Logger
    ) -> None:
        self._app, self._door, self._access = app, door, access
        self._framework = app.wsgi_app
        self._operations = {one.path: one for one in operations if one.method == "POST" and one.raw_body}

    def __call__(self, environ: dict[str, Any], start_response: "StartResponse") -> Iterable[bytes]:
        """Answer one request."""
        operation = self._operations.get(environ.get("PATH_INFO", ""))
        length = None if operation is None else self._plain_length(environ)
        if operation is None or length is None:
            return self._framework(environ, start_response)
        try:
            reply = self._take(operation, environ, length)
        except TurnedAway as away:
            return _told(start_response, away)
        except Exception as error:  # noqa: BLE001 -- the framework's handlers tell it, as on the other way
            with self._app.request_context(environ):
                problem = self._app.handle_user_exception(error)
                return self._app.finalize_request(problem)(environ, start_response)
        return self._answer(reply, environ, start_response)

    def _plain_length(self, environ: Mapping[str, Any]) -> int | None:
        """Give a plain request's length [bytes], or None if it is not plain."""
        length: str = environ.get("CONTENT_LENGTH") or ""
        if (
            environ["REQUEST_METHOD"] != "POST"
            or environ.get("CONTENT_TYPE") != "application/json"
            or environ.get("QUERY_STRING")
            or environ.get("SCRIPT_NAME")
            or "HTTP_CONTENT_ENCODING" in environ
            or "HTTP_TRANSFER_ENCODING" in environ
            or not (length.isascii() and length.isdigit() and len(length) <= _LONGEST_DIGITS)
            or int(length) > self._door.services.settings.serve.max_body_bytes
            or self._access.isEnabledFor(logging.INFO)
        ):
            return None
        return int(length)

    def _take(self, operation: Operation, environ: dict[str, Any], length: int) -> Reply:
        services = self._door.services
        self._door.pressure.turn_away(operation, services.clock.monotonic_s())
        address = environ.get("REMOTE_ADDR") or "unknown"
        principal = self._door.principal(operation, address=address, shown=environ.get("HTTP_AUTHORIZATION"))
        raw: bytes = environ["wsgi.input"].read(length)
        if len(raw) != length:
            raise ClientDisconnected
        return operation.view(
            Call(
                services=services,
                principal=principal,
                path={},
                query=None,
                body=None,
                raw=raw,
                headers=EnvironHeaders(environ),
                args=(),
                address_path=operation.path,
                address=address,
                now=services.clock.utc(),
            )
        )

    def _answer(
        self, reply: Reply, environ: dict[str, Any], start_response: "StartResponse"
    ) -> Iterable[bytes]:
        body = replying.plain_bytes(reply)
        if body is None:
            with self._app.request_context(environ):
                response = replying.write(request, reply)
                return self._app.finalize_request(response)(environ, start_response)
        headers = [
            ("Content-Type", reply.media),
            ("Vary", replying.VARY),
            ("Content-Length", str(len(body))),
            *_COMMON,
        ]
        start_response("200 OK", headers)
        return [body]


def _told(start_response: "StartResponse", away: HttpProblem) -> Iterable[bytes]:
    """Turn away without the framework: when many come at once, this is most of what is done."""
    body = problems.written(away.code, away.sentence)
    headers = [
        ("Content-Type", problems.MEDIA),
        ("Content-Length", str(len(body))),
        *away.headers.items(),
        *_COMMON,
    ]
    start_response(f"{away.code} {HTTP_STATUS_CODES[away.code].upper()}", headers)
    return [body]
