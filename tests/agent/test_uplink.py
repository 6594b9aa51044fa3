"""The way to the collector, against a real HTTP server on loopback."""

import socket
import ssl
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme
from ebbmark_agent.errors import (
    AnswerMalformedError,
    CertificateError,
    CollectorBusyError,
    CollectorUnreachableError,
    EnrolmentPendingError,
    EnrolmentRefusedError,
    InsecureCollectorError,
    ReportsRefusedError,
    TokenFileError,
    TokenRefusedError,
)
from ebbmark_agent.spool import Spool
from ebbmark_agent.uplink import (
    Collector,
    Delivered,
    Pause,
    deliver,
    read_token,
    refuse_insecure,
    write_token,
)
from ebbmark_agent.uplink.http import retry_after_s

from tests.agent.standin_collector import TOKEN, Answer, StandIn, standing_in
from tests.agent.test_spool import health, report, spool_in

NOW = datetime(2026, 3, 10, tzinfo=UTC)


@pytest.fixture
def stand_in() -> Iterator[StandIn]:
    """A collector on loopback."""
    with standing_in() as state:
        yield state


def filled(folder: Path, count: int) -> Spool:
    """Open a spool with some reports in it."""
    spool = spool_in(folder)
    for _ in range(count):
        spool.add(lambda sequence: report(sequence, health()))
    return spool


def run(spool: Spool, url: str, *, token: str = TOKEN, waits: list[float] | None = None) -> Delivered:
    """Deliver once, without really waiting."""
    collector = Collector(url=url, token=token, agent_version="0.1.0", timeout_s=(2.0, 5.0))

    def wait_s(seconds: float) -> bool:
        if waits is not None:
            waits.append(seconds)
        return False

    try:
        return deliver(spool, collector, now=lambda: NOW, wait_s=wait_s)
    finally:
        collector.close()


def test_reports_arrive_in_order_and_leave_the_spool(tmp_path: Path, stand_in: StandIn) -> None:
    """Everything that waits arrives once, oldest first, at most 200 a request with a pause between."""
    spool = filled(tmp_path, 450)
    waits: list[float] = []

    done = run(spool, stand_in.url, waits=waits)

    assert done == Delivered(delivered=450)
    assert stand_in.arrivals == [f"r-{number}" for number in range(1, 451)]
    assert spool.waiting() == 0
    assert waits == [0.5, 0.5, 0.5]


def test_a_lost_answer_does_no_harm(tmp_path: Path, stand_in: StandIn) -> None:
    """When the collector stored a batch but its answer got lost, the repeat is settled and stored once."""
    spool = filled(tmp_path, 5)
    stand_in.script.append(Answer(200, drop_after_storing=True))

    first = run(spool, stand_in.url)
    second = run(spool, stand_in.url)

    assert isinstance(first.error, CollectorUnreachableError)
    assert second == Delivered(delivered=5)
    assert stand_in.arrivals == [f"r-{number}" for number in range(1, 6)]
    assert spool.waiting() == 0


def test_a_refused_report_does_not_block_the_rest(tmp_path: Path, stand_in: StandIn) -> None:
    """A report the collector refuses is set aside with its reason, the others arrive."""
    spool = filled(tmp_path, 3)
    stand_in.refuse = lambda one: "made in the future" if one["report_id"] == "r-2" else None

    assert run(spool, stand_in.url) == Delivered(delivered=2, refused=1)
    assert [(one.report_id, one.problem) for one in spool.set_aside()] == [("r-2", "made in the future")]


@pytest.mark.parametrize("status", [400, 413, 422])
def test_a_refused_request_is_halved_to_the_culprit(tmp_path: Path, stand_in: StandIn, status: int) -> None:
    """Where whole requests are refused, the one report behind it is found and set aside."""
    spool = filled(tmp_path, 9)
    stand_in.refuse_request = lambda reports: (
        Answer(status, {"detail": "r-6 is odd"})
        if any(one["report_id"] == "r-6" for one in reports)
        else None
    )

    assert run(spool, stand_in.url) == Delivered(delivered=8, refused=1)
    assert [(one.report_id, one.problem) for one in spool.set_aside()] == [("r-6", "r-6 is odd")]
    assert stand_in.arrivals == [f"r-{number}" for number in (1, 2, 3, 4, 5, 7, 8, 9)]


def test_a_collector_that_is_down_loses_nothing(tmp_path: Path) -> None:
    """With nobody listening the error says so and every report stays."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    spool = filled(tmp_path, 3)

    done = run(spool, f"http://127.0.0.1:{port}")

    assert isinstance(done.error, CollectorUnreachableError)
    assert "Connection refused" in str(done.error)
    assert "Nothing is lost" in str(done.error)
    assert spool.waiting() == 3


def test_a_wrong_token_loses_nothing(tmp_path: Path, stand_in: StandIn) -> None:
    """With a token the collector does not know the error says what to do and every report stays."""
    spool = filled(tmp_path, 3)

    done = run(spool, stand_in.url, token="wrong")

    assert isinstance(done.error, TokenRefusedError)
    assert "enrol again" in str(done.error)
    assert spool.waiting() == 3


@pytest.mark.parametrize("status", [429, 503])
def test_retry_after_is_obeyed(tmp_path: Path, stand_in: StandIn, status: int) -> None:
    """A busy collector ends the round, and the pause is at least what it asked for."""
    spool = filled(tmp_path, 3)
    stand_in.script.append(Answer(status, headers={"Retry-After": "120"}))

    done = run(spool, stand_in.url)

    assert isinstance(done.error, CollectorBusyError)
    assert done.error.retry_after_s == 120.0
    assert len(stand_in.requests) == 1
    pause = Pause().after_failure(done.error, now=NOW, phase=0.5)
    assert not pause.over(NOW + timedelta(seconds=149))
    assert pause.over(NOW + timedelta(seconds=150))


def test_pauses_double_up_to_an_hour_and_spread() -> None:
    """Failures in a row are spaced 15 s, 30 s and on to an hour; the last host waits half as much more."""
    error = CollectorUnreachableError(url="x", reason="y")
    pause, lengths = Pause(), []
    for _ in range(10):
        pause = pause.after_failure(error, now=NOW, phase=0.0)
        assert pause.until is not None
        lengths.append((pause.until - NOW).total_seconds())

    assert lengths == [15, 30, 60, 120, 240, 480, 960, 1920, 3600, 3600]
    spread = Pause().after_failure(error, now=NOW, phase=1.0).until
    assert spread == NOW + timedelta(seconds=22.5)


def test_other_refusals_keep_everything(tmp_path: Path, stand_in: StandIn) -> None:
    """A 404 is no report's fault: nothing is set aside, the error tells of it."""
    spool = filled(tmp_path, 3)
    stand_in.script.append(Answer(404, {"title": "No such resource"}))

    done = run(spool, stand_in.url)

    assert isinstance(done.error, ReportsRefusedError)
    assert spool.waiting() == 3
    assert spool.set_aside() == ()


@pytest.mark.parametrize(
    "answer",
    [
        Answer(200, {"accepted": []}),
        Answer(200, {"accepted": ["someone-elses"]}),
        Answer(200, [1, 2]),
        Answer(302, headers={"Location": "http://127.0.0.1:1/"}),
    ],
    ids=["none-named", "other-ids", "not-an-object", "redirect"],
)
def test_a_strange_answer_settles_nothing(tmp_path: Path, stand_in: StandIn, answer: Answer) -> None:
    """An answer that names none of the reports, is no answer or leads elsewhere settles nothing."""
    spool = filled(tmp_path, 3)
    stand_in.script.append(answer)

    assert isinstance(run(spool, stand_in.url).error, AnswerMalformedError)
    assert spool.waiting() == 3


def test_stopping_leaves_the_rest_for_later(tmp_path: Path, stand_in: StandIn) -> None:
    """An agent told to stop finishes the request in hand and keeps the rest."""
    spool = filled(tmp_path, 401)
    collector = Collector(url=stand_in.url, token=TOKEN, agent_version="0.1.0")
    done = deliver(spool, collector, now=lambda: NOW, wait_s=lambda _s: True)
    collector.close()

    assert done.delivered == 200
    assert spool.waiting() == 201


def test_enrolment_gives_a_host_and_a_token(stand_in: StandIn) -> None:
    """Claiming sends no bearer token and gives back the host's id and token."""
    collector = Collector(url=stand_in.url, token=None, agent_version="0.1.0")
    claimed = collector.claim(enrol_token="once", host_name="edit-1", system="Linux", machine_key="k")
    collector.close()

    assert (claimed.host_id, claimed.agent_token) == ("host-1", TOKEN)
    assert "Authorization" not in stand_in.requests[0][2]


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        (Answer(202, {"detail": "waiting"}), EnrolmentPendingError),
        (Answer(401, {"detail": "That token was used."}), EnrolmentRefusedError),
        (Answer(410, {"detail": "That token has expired."}), EnrolmentRefusedError),
        (Answer(201, {"host_id": ""}), AnswerMalformedError),
    ],
)
def test_enrolments_that_do_not_succeed(stand_in: StandIn, answer: Answer, error: type[Exception]) -> None:
    """Waiting for approval, a used token and a strange answer are three different errors."""
    stand_in.enrol = answer
    collector = Collector(url=stand_in.url, token=None, agent_version="0.1.0")

    with pytest.raises(error):
        collector.claim(enrol_token="once", host_name="edit-1", system="Linux", machine_key="k")
    collector.close()


def test_orders_are_fetched_only_when_changed(stand_in: StandIn) -> None:
    """The tag of the held orders is sent along, and unchanged orders are not sent again."""
    stand_in.orders = b'{"x": 1}'
    collector = Collector(url=stand_in.url, token=TOKEN, agent_version="0.1.0")
    first = collector.fetch_orders(host_id="host-1", tag=None)
    assert first is not None
    second = collector.fetch_orders(host_id="host-1", tag=first.tag)
    collector.close()

    assert (first.document, first.tag) == (b'{"x": 1}', '"1"')
    assert second is None
    assert stand_in.requests[0][1] == "/v1/hosts/host-1/orders"


@pytest.mark.parametrize("url", ["http://collector.example", "http://10.0.0.5:8080", "http://[2001:db8::1]"])
def test_plain_http_beyond_this_machine_is_refused(url: str) -> None:
    """The token never leaves in the clear unless the owner says so."""
    with pytest.raises(InsecureCollectorError):
        refuse_insecure(url, allow_plain_http=False)
    refuse_insecure(url, allow_plain_http=True)


@pytest.mark.parametrize(
    "url", ["https://collector.example", "http://127.0.0.1:1", "http://[::1]:1", "http://localhost:1"]
)
def test_https_and_loopback_are_fine(url: str) -> None:
    """TLS anywhere and plain http on this machine need no word."""
    refuse_insecure(url, allow_plain_http=False)


def test_a_house_ca_is_trusted_when_named(tmp_path: Path) -> None:
    """A certificate of an unknown CA is an error that says so; with the CA's file it is fine."""
    ca = trustme.CA()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    ca.issue_cert("127.0.0.1").configure_cert(context)
    ca.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    with standing_in(tls=context) as stand_in:
        stranger = Collector(url=stand_in.url, token=TOKEN, agent_version="0.1.0")
        with pytest.raises(CertificateError, match="ca_file"):
            stranger.fetch_orders(host_id="host-1", tag=None)
        stranger.close()
        missing = Collector(
            url=stand_in.url, token=TOKEN, agent_version="0.1.0", ca_file=tmp_path / "none.pem"
        )
        with pytest.raises(CertificateError):
            missing.fetch_orders(host_id="host-1", tag=None)
        missing.close()
        friend = Collector(url=stand_in.url, token=TOKEN, agent_version="0.1.0", ca_file=tmp_path / "ca.pem")

        assert friend.fetch_orders(host_id="host-1", tag=None) is not None
        friend.close()


# RFC 9110 section 10.2.3 gives both forms; its examples are 120 and an HTTP date.
@pytest.mark.parametrize(
    ("headers", "seconds"),
    [
        ({"Retry-After": "120"}, 120.0),
        (
            {"Retry-After": "Fri, 31 Dec 1999 23:59:59 GMT", "Date": "Fri, 31 Dec 1999 23:58:59 GMT"},
            60.0,
        ),
        ({"Retry-After": "Fri, 31 Dec 1999 23:59:59 GMT"}, None),
        ({"Retry-After": "soon"}, None),
        ({"Retry-After": "-5"}, None),
        ({"Retry-After": "99999999"}, 86_400.0),
        ({}, None),
    ],
)
def test_retry_after_forms(headers: dict[str, str], seconds: float | None) -> None:
    """Seconds and dates are read, a date against the answer's own; nonsense is no wish at all."""
    assert retry_after_s(headers) == seconds


def test_the_token_file_is_private(tmp_path: Path) -> None:
    """A written token can be read back, by its owner alone, and no temporary file stays."""
    path = tmp_path / "state" / "token"
    write_token(path, "secret")

    assert read_token(path) == "secret"
    assert path.stat().st_mode & 0o777 == 0o600
    assert [one.name for one in path.parent.iterdir()] == ["token"]


@pytest.mark.parametrize(
    ("content", "mode", "says"),
    [("secret", 0o644, "can be read by others"), ("", 0o600, "is empty"), (None, 0, "is missing")],
)
def test_a_token_file_that_will_not_do(tmp_path: Path, content: str | None, mode: int, says: str) -> None:
    """A token file that is open to others, empty or missing is refused with why."""
    path = tmp_path / "token"
    if content is not None:
        path.write_text(content)
        path.chmod(mode)

    with pytest.raises(TokenFileError, match=says):
        read_token(path)
