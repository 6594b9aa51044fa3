"""Webhooks against a real HTTP receiver on loopback, and one with TLS."""

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import trustme
from ebbmark_collector.notify import Delivered, Refused, TryLater
from ebbmark_collector.notify.signing import Secret
from ebbmark_collector.notify.webhook import Webhook, post
from standardwebhooks import Webhook as Verifier

from tests.collector.notify.letters import a_message

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
NOW = datetime.now(UTC)


@dataclass
class Receiver:
    """A receiver that answers as told and keeps what it got."""

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    got: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    port: int = 0


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """Serve a receiver on a free loopback port."""
    told = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            told.got.append((self.path, {k.lower(): v for k, v in self.headers.items()}, body))
            self.send_response(told.status)
            for name, value in told.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    told.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield told
    server.shutdown()
    thread.join()
    server.server_close()


def hook(port: int, path: str = "/in?token=hush") -> Webhook:
    """Give a webhook to a listed name on this port."""
    return Webhook(
        name="desk",
        url=f"http://desk.lane.example:{port}{path}",
        secret=Secret.read(SECRET),
        allowed_hosts=("desk.lane.example",),
    )


def at_home(host: str, port: int) -> list[str]:
    """Resolve every name to this machine."""
    return ["127.0.0.1"]


def test_a_message_arrives_and_its_signature_is_accepted(receiver: Receiver) -> None:
    """The reference library verifies what came over the wire, to the byte."""
    message = a_message()

    # The verifier holds the timestamp against its own clock, with five minutes to spare.
    outcome = post(hook(receiver.port), message, now=datetime.now(UTC), look_up=at_home)

    assert isinstance(outcome, Delivered)
    path, headers, body = receiver.got[0]
    assert path == "/in?token=hush"
    assert headers["host"] == f"desk.lane.example:{receiver.port}"
    assert headers["content-type"] == "application/cloudevents+json"
    assert Verifier(SECRET).verify(body, headers)["id"] == message.message_id


def test_a_second_attempt_keeps_the_id_and_renews_the_timestamp(receiver: Receiver) -> None:
    """So a receiver can drop repeats and refuse what is stale."""
    for later in (0, 300):
        post(hook(receiver.port), a_message(), now=NOW + timedelta(seconds=later), look_up=at_home)

    first, second = (headers for _, headers, _ in receiver.got)
    assert first["webhook-id"] == second["webhook-id"]
    assert int(second["webhook-timestamp"]) - int(first["webhook-timestamp"]) == 300


@pytest.mark.parametrize("status", [400, 401, 404, 429, 500, 502, 503, 504])
def test_an_error_is_tried_later(receiver: Receiver, status: int) -> None:
    """Anything but success is tried again, with the status in the sentence."""
    receiver.status = status

    outcome = post(hook(receiver.port), a_message(), now=NOW, look_up=at_home)

    assert outcome == TryLater(sentence=f"desk.lane.example answered {status}.", after_s=None)


@pytest.mark.parametrize(
    ("text", "after_s"),
    [("120", 120.0), ("Wed, 21 Oct 2015 07:28:00 GMT", 0.0), ("soon", None), ("-5", None)],
)
def test_retry_after_is_read(receiver: Receiver, text: str, after_s: float | None) -> None:
    """In seconds or as a date (RFC 9110, 10.2.3); nonsense is passed over."""
    receiver.status, receiver.headers = 503, {"Retry-After": text}

    outcome = post(hook(receiver.port), a_message(), now=NOW, look_up=at_home)

    assert isinstance(outcome, TryLater)
    assert outcome.after_s == after_s


def test_a_redirect_is_not_followed(receiver: Receiver) -> None:
    """A receiver that points elsewhere gets no second request sent anywhere."""
    receiver.status = 307
    receiver.headers = {"Location": f"http://127.0.0.1:{receiver.port}/elsewhere"}

    outcome = post(hook(receiver.port), a_message(), now=NOW, look_up=at_home)

    assert isinstance(outcome, TryLater)
    assert [path for path, _, _ in receiver.got] == ["/in?token=hush"]


def test_gone_switches_the_target_off(receiver: Receiver) -> None:
    """Standard Webhooks 1.0.0: 410 says that no more is wanted."""
    receiver.status = 410

    outcome = post(hook(receiver.port), a_message(), now=NOW, look_up=at_home)

    assert isinstance(outcome, Refused)
    assert outcome.target_gone


def test_an_address_that_is_not_allowed_is_never_called(receiver: Receiver) -> None:
    """A public name that leads to loopback is refused before a byte is sent."""
    sly = Webhook(name="sly", url=f"https://sly.example:{receiver.port}/", secret=Secret.read(SECRET))

    outcome = post(sly, a_message(), now=NOW, look_up=at_home)

    assert isinstance(outcome, Refused)
    assert receiver.got == []


def test_nobody_there_is_tried_later_and_nothing_secret_is_said() -> None:
    """The sentence names the host and not the URL, whose query may hold a token."""
    outcome = post(hook(1), a_message(), now=NOW, look_up=at_home)

    assert outcome == TryLater(sentence="desk.lane.example could not be reached (no connection).")
    assert "hush" not in repr(hook(1))


def test_a_name_that_does_not_resolve_is_tried_later() -> None:
    """Name service may be down for an hour."""
    assert isinstance(post(hook(1), a_message(), now=NOW, look_up=lambda host, port: []), TryLater)


@pytest.fixture
def authority() -> trustme.CA:
    """Make a certificate authority for one test."""
    return trustme.CA()


@pytest.mark.parametrize(("name", "delivered"), [("desk.lane.example", True), ("other.lane.example", False)])
def test_tls_is_checked_against_the_name_though_connected_by_address(
    authority: trustme.CA, tmp_path: Path, name: str, delivered: bool
) -> None:
    """A certificate for the name is accepted, one for another name is not."""
    import ssl

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *args: object) -> None:
            pass

    class Quiet(ThreadingHTTPServer):
        def handle_error(self, *args: object) -> None:
            """Say nothing of a handshake that the client broke off."""

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(name).configure_cert(context)
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    server = Quiet(("127.0.0.1", 0), Handler)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        receiver = Webhook(
            name="desk",
            url=f"https://desk.lane.example:{server.server_address[1]}/",
            secret=Secret.read(SECRET),
            allowed_hosts=("desk.lane.example",),
            ca_file=str(tmp_path / "ca.pem"),
        )
        outcome = post(receiver, a_message(), now=NOW, look_up=at_home)
    finally:
        server.shutdown()
        thread.join()
        server.server_close()

    assert isinstance(outcome, Delivered) is delivered
    if not delivered:
        assert "certificate" in outcome.sentence
