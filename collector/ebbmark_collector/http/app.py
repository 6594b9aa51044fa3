"""The web application: every declared operation behind the same checks, in the same order.

1. How often: a token and an address each have their share; wrong tokens have less.
2. Who, and for what.
3. What comes in, within its limits and as described.
4. The view.
5. What goes out.
"""

import logging
import re
from collections.abc import Callable
from functools import lru_cache, partial
from importlib.metadata import version as installed_version
from typing import Any

from ebbmark_agent.report import Orders, Report
from flask import Flask, Response, request

from ebbmark_collector.http import auth, idempotency, problems, reading, replying
from ebbmark_collector.http.openapi import ID_PATTERN, document
from ebbmark_collector.http.operation import Call, Operation, Principal, Services
from ebbmark_collector.http.pressure import Pressure, waiting_requests
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.http.rates import Rates
from ebbmark_collector.http.resources import every_operation
from ebbmark_collector.http.straight import StraightIn
from ebbmark_collector.http.tokens import TokensSeen
from ebbmark_collector.store import to_ms

_ACCESS = logging.getLogger("ebbmark_collector.access")
_MAX_QUERY_BYTES = 24_000


class _Door:
    """The checks every request passes on its way to a view."""

    def __init__(self, services: Services, waiting: Callable[[], int]) -> None:
        self.services = services
        self.by_token = Rates(services.settings.serve.requests_a_minute)
        self.pressure = Pressure(services.settings.serve.most_waiting, waiting)
        self.wrong = Rates(services.settings.serve.wrong_tokens_a_minute)
        self.tokens = TokensSeen(services.store, services.clock.monotonic_s)

    def principal(self, operation: Operation, *, address: str, shown: str | None) -> Principal | None:
        """Give who calls, if they have their turn and may do this.

        Args:
            operation: What they ask for.
            address: Where they call from.
            shown: Their Authorization header.

        Raises:
            HttpProblem: 401, 403, 429.
        """
        services = self.services
        now_s = services.clock.monotonic_s()
        if not operation.scopes:
            return None
        if (wait_s := self.wrong.wait_s(address, now_s)) > 0:
            raise _too_many(wait_s, "Too many wrong tokens came from this address.")
        try:
            busy = self.pressure.waiting() > 0
            principal = auth.who_calls(self.tokens, shown, services.clock.utc(), busy=busy)
        except HttpProblem as problem:
            if "invalid_token" in problem.headers["WWW-Authenticate"]:
                self.wrong.take(address, now_s)
            raise
        if (wait_s := self.by_token.take_turn(principal.token_id, now_s)) > 0:
            raise _too_many(wait_s, "This token asks too often.")
        auth.check_scope(operation, principal)
        return principal

    def _call(self, operation: Operation, path: dict[str, str]) -> Call:
        principal = self.principal(
            operation,
            address=request.remote_addr or "unknown",
            shown=request.headers.get("Authorization"),
        )
        for name, value in path.items():
            if len(value) > 256 or not re.fullmatch(ID_PATTERN, value):
                raise HttpProblem(404, f"There is no {name.removesuffix('_id')} of that name.")
        if len(request.query_string) > _MAX_QUERY_BYTES:
            raise HttpProblem(414, f"A query may hold at most {_MAX_QUERY_BYTES} bytes.")
        query = reading.read_query(request, operation.query)
        raw, body = b"", None
        if operation.body is not None or operation.raw_body:
            reading.check_json_type(request)
            raw = reading.read_body(request, max_bytes=self.services.settings.serve.max_body_bytes)
        if operation.body is not None and not operation.raw_body:
            reading.check_json(raw)
            body = operation.body.model_validate_json(raw)
        return Call(
            services=self.services,
            principal=principal,
            path=path,
            query=query,
            body=body,
            raw=raw,
            headers=request.headers,
            args=tuple(request.args.items(multi=True)) if request.query_string else (),
            address_path=request.path,
            address=request.remote_addr or "unknown",
            now=self.services.clock.utc(),
        )

    def handle(self, operation: Operation, **path: str) -> Response:
        """Pass one request through the checks to its view."""
        self.pressure.turn_away(operation, self.services.clock.monotonic_s())
        call = self._call(operation, path)
        act: Callable[[], Response] = partial(self._act, operation, call)
        key = idempotency.key_of(request) if operation.action else None
        if key is None or call.principal is None:
            return act()
        return idempotency.once(
            call.store,
            request,
            key=key,
            token_id=call.principal.token_id,
            body=call.raw,
            now_ms=to_ms(call.now),
            act=act,
        )

    def _act(self, operation: Operation, call: Call) -> Response:
        try:
            return replying.write(request, operation.view(call))
        finally:
            if operation.method != "GET" and not operation.raw_body:
                self.tokens.forget()  # it may have revoked one


def _too_many(wait_s: float, sentence: str) -> HttpProblem:
    seconds = max(1, round(wait_s + 0.5))
    return HttpProblem(429, f"{sentence} Wait {seconds} s.", headers={"Retry-After": str(seconds)})


def _after(response: Response) -> Response:
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers.setdefault("Cache-Control", "no-store")
    if _ACCESS.isEnabledFor(logging.INFO):
        _ACCESS.info(
            "request",
            extra={
                "method": request.method,
                "path": request.path,
                "status": response.status_code,
                "address": request.remote_addr,
            },
        )
    return response


@lru_cache(maxsize=1)
def _description() -> dict[str, Any]:
    return document(every_operation(), version=installed_version("ebbmark"), extra=(Report, Orders))


def create_app(services: Services) -> Flask:
    """Put the collector's application together.

    Args:
        services: Store, clock and settings; a test hands in its own.
    """
    app = Flask("ebbmark_collector", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = services.settings.serve.max_body_bytes
    app.url_map.strict_slashes = True
    app.url_map.merge_slashes = False
    problems.install(app)
    door = _Door(services, partial(waiting_requests, app))
    operations = every_operation()
    for operation in operations:
        app.add_url_rule(
            operation.path.replace("{", "<").replace("}", ">"),
            endpoint=f"{operation.method} {operation.path}",
            view_func=partial(door.handle, operation),
            methods=[operation.method],
            provide_automatic_options=False,
        )
    app.config["OPENAPI"] = _description()
    app.after_request(_after)
    app.wsgi_app = StraightIn(app, door, operations, _ACCESS)  # type: ignore[method-assign]
    return app
