"""Mail through a real SMTP server on loopback."""

import socket
from collections.abc import Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from ebbmark_collector.notify import Channel, Delivered, Refused, TryLater
from ebbmark_collector.notify.mail import Mailbox, send

from tests.collector.notify.letters import NOW, a_message


class Keeper:
    """Keeps what comes in and answers as told."""

    def __init__(self) -> None:
        """Take everything."""
        self.answer = "250 OK"
        self.refused: frozenset[str] = frozenset()
        self.got: list[EmailMessage] = []

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Take or refuse a recipient."""
        if address in self.refused:
            return "550 no such person"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        """Keep the mail if the answer is a good one."""
        if self.answer.startswith("250"):
            content = envelope.content
            assert isinstance(content, bytes)
            mail = message_from_bytes(content, policy=policy.default)
            assert isinstance(mail, EmailMessage)
            self.got.append(mail)
        return self.answer


@pytest.fixture
def keeper() -> Iterator[tuple[Keeper, int]]:
    """Serve mail on a free loopback port."""
    keeps = Keeper()
    # The library looks itself up by the port it was given, so a free one is found first.
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    controller = Controller(keeps, hostname="127.0.0.1", port=port)
    controller.start()
    yield keeps, port
    controller.stop()


def box(port: int, **changes: object) -> Mailbox:
    """Give a mailbox on this port, without TLS."""
    known: dict[str, object] = {
        "name": "night desk",
        "server": "127.0.0.1",
        "port": port,
        "sender": "ebbmark@lane.example",
        "recipients": ("mira@lane.example", "imre@lane.example"),
        "starttls": False,
    }
    return Mailbox(**(known | changes))  # type: ignore[arg-type]


def test_a_mail_arrives_in_words(keeper: tuple[Keeper, int]) -> None:
    """Subject, text, recipients and a Message-ID that is the message's own."""
    keeps, port = keeper
    message = a_message(Channel.MAIL)

    outcome = send(box(port), message, now=NOW)

    assert outcome == Delivered(sentence="127.0.0.1 took it for 2 of 2 recipients.")
    mail = keeps.got[0]
    assert mail["Subject"].startswith("[critical] LANE-07")
    assert mail["Message-ID"] == f"<{message.message_id}@lane.example>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert "Next: Give it air." in mail.get_content()


def test_one_refused_recipient_does_not_hold_back_the_other(keeper: tuple[Keeper, int]) -> None:
    """It is delivered for those who are there, and the sentence counts them."""
    keeps, port = keeper
    keeps.refused = frozenset({"imre@lane.example"})

    assert send(box(port), a_message(), now=NOW).sentence == "127.0.0.1 took it for 1 of 2 recipients."


@pytest.mark.parametrize(
    ("answer", "kind"), [("451 try later", TryLater), ("552 mailbox is full", Refused), ("554 no", Refused)]
)
def test_the_servers_answer_decides(keeper: tuple[Keeper, int], answer: str, kind: type) -> None:
    """RFC 5321, 4.2.1: 4yz may get through later, 5yz will not."""
    keeps, port = keeper
    keeps.answer = answer

    assert isinstance(send(box(port), a_message(), now=NOW), kind)


def test_nobody_there_is_tried_later() -> None:
    """A server that is down is no reason to drop a mail."""
    assert isinstance(send(box(1), a_message(), now=NOW), TryLater)


def test_a_server_without_tls_gets_nothing_when_tls_is_asked(keeper: tuple[Keeper, int]) -> None:
    """With starttls on, nothing is sent in the clear."""
    keeps, port = keeper

    assert isinstance(send(box(port, starttls=True), a_message(), now=NOW), Refused)
    assert keeps.got == []


def test_a_password_is_not_sent_without_tls(keeper: tuple[Keeper, int]) -> None:
    """It is refused before the server is spoken to, and the password is in no repr."""
    _, port = keeper
    mailbox = box(port, user="ebbmark", password="hush")

    assert isinstance(send(mailbox, a_message(), now=NOW), Refused)
    assert "hush" not in repr(mailbox)
