"""A small real HTTP server on loopback that plays the collector's side of the protocol, faults included."""

import json
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

TOKEN = "agent-token-of-host-1"


@dataclass
class Answer:
    """One scripted answer."""

    status: int
    body: object = None
    headers: dict[str, str] = field(default_factory=dict)
    drop_after_storing: bool = False


@dataclass
class StandIn:
    """What the server has seen, and what it is told to do."""

    port: int = 0
    stored: dict[str, dict[str, Any]] = field(default_factory=dict)
    arrivals: list[str] = field(default_factory=list)
    requests: list[tuple[str, str, dict[str, str]]] = field(default_factory=list)
    script: list[Answer] = field(default_factory=list)
    orders: bytes = b"{}"
    orders_tag: str = '"1"'
    refuse_request: Callable[[list[dict[str, Any]]], Answer | None] = lambda reports: None
    refuse: Callable[[dict[str, Any]], str | None] = lambda report: None
    enrol: Answer | None = None
    scheme: str = "http"

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"{self.scheme}://127.0.0.1:{self.port}"


def _handler(state: StandIn) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, *args: object) -> None:
            pass

        def _say(self, answer: Answer) -> None:
            body = b"" if answer.body is None else json.dumps(answer.body).encode()
            if isinstance(answer.body, bytes):
                body = answer.body
            self.send_response(answer.status)
            for name, value in answer.headers.items():
                self.send_header(name, value)
            if answer.status not in {204, 304}:
                self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def do_GET(self) -> None:
            state.requests.append(("GET", self.path, dict(self.headers)))
            if state.script:
                self._say(state.script.pop(0))
            elif self.headers["If-None-Match"] == state.orders_tag:
                self._say(Answer(304))
            else:
                self.send_response(200)
                self.send_header("ETag", state.orders_tag)
                self.send_header("Content-Length", str(len(state.orders)))
                self.end_headers()
                self.wfile.write(state.orders)

        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            state.requests.append(("POST", self.path, dict(self.headers)))
            scripted = state.script.pop(0) if state.script else None
            if scripted is not None and not scripted.drop_after_storing:
                self._say(scripted)
                return
            if self.path == "/v1/enrolments/claim":
                self._say(state.enrol or Answer(201, {"host_id": "host-1", "agent_token": TOKEN}))
                return
            if self.headers["Authorization"] != f"Bearer {TOKEN}":
                self._say(Answer(401, {"title": "Unknown token"}))
                return
            if refusal := state.refuse_request(body["reports"]):
                self._say(refusal)
                return
            answer = self._store(body["reports"])
            if scripted is not None:
                self.close_connection = True
                self.connection.shutdown(socket.SHUT_RDWR)
                return
            self._say(Answer(200, answer))

        def _store(self, reports: list[dict[str, Any]]) -> dict[str, Any]:
            answer: dict[str, Any] = {"accepted": [], "repeated": [], "refused": []}
            for report in reports:
                report_id = report["report_id"]
                if problem := state.refuse(report):
                    answer["refused"].append({"report_id": report_id, "problem": problem})
                elif report_id in state.stored:
                    answer["repeated"].append(report_id)
                else:
                    state.stored[report_id] = report
                    state.arrivals.append(report_id)
                    answer["accepted"].append(report_id)
            return answer

    return Handler


class _Quiet(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that hung up is part of the tests."""


@contextmanager
def standing_in(*, tls: ssl.SSLContext | None = None, port: int = 0) -> Iterator[StandIn]:
    """Run the server for the length of a block."""
    state = StandIn(scheme="https" if tls else "http")
    server = _Quiet(("127.0.0.1", port), _handler(state))
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    state.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield state
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
