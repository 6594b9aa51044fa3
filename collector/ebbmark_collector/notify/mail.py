"""Sends one message as mail by SMTP, with STARTTLS unless it is switched off."""

import smtplib
import ssl
from dataclasses import dataclass, field
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime

from ebbmark_collector.notify.messages import Message, subject_line, text_of
from ebbmark_collector.notify.outcomes import Delivered, Outcome, Refused, TryLater

TIMEOUT_S = 30.0
PERMANENT_FROM = 500  # SMTP reply codes: 4xx may get through later, 5xx will not (RFC 5321, section 4.2.1)


@dataclass(frozen=True, kw_only=True, slots=True)
class Mailbox:
    """A server and who gets the mail. The password is in no repr.

    Attributes:
        ca_file: Certificates to trust instead of the system's.
    """

    name: str
    server: str
    port: int = 587
    sender: str
    recipients: tuple[str, ...]
    starttls: bool = True
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: str | None = None


def letter(box: Mailbox, message: Message, now: datetime) -> EmailMessage:
    """Write the mail. Its Message-ID is the message's own, the same for every attempt."""
    mail = EmailMessage()
    mail["Subject"] = subject_line(message.body)
    mail["From"] = box.sender
    mail["To"] = ", ".join(box.recipients)
    mail["Date"] = format_datetime(now)
    mail["Message-ID"] = f"<{message.message_id}@{_domain(box.sender)}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps holiday replies away
    mail.set_content(text_of(message.body))
    return mail


def send(box: Mailbox, message: Message, *, now: datetime) -> Outcome:
    """Make one attempt.

    Args:
        box: The server and the recipients.
        message: What is sent.
        now: The instant, which becomes the mail's date.
    """
    if box.password is not None and not box.starttls:
        return Refused(sentence=f"{box.server}: a password is not sent without TLS; switch starttls on.")
    mail = letter(box, message, now)
    try:
        with smtplib.SMTP(box.server, box.port, timeout=TIMEOUT_S) as smtp:
            if box.starttls:
                smtp.starttls(context=ssl.create_default_context(cafile=box.ca_file))
            if box.user is not None and box.password is not None:
                smtp.login(box.user, box.password)
            refused = smtp.send_message(mail)
    except smtplib.SMTPResponseException as error:
        return _answered(box, error.smtp_code)
    except smtplib.SMTPRecipientsRefused as error:
        worst = max(code for code, _ in error.recipients.values())
        return _answered(box, worst)
    except smtplib.SMTPNotSupportedError:
        return Refused(
            sentence=f"{box.server} does not offer what is asked (TLS or login); change the settings."
        )
    except ssl.SSLError:
        return TryLater(sentence=f"{box.server}: its certificate was not accepted.")
    except (OSError, smtplib.SMTPException) as error:
        return TryLater(sentence=f"{box.server} could not be reached ({type(error).__name__}).")
    taken = len(box.recipients) - len(refused)
    return Delivered(sentence=f"{box.server} took it for {taken} of {len(box.recipients)} recipients.")


def _answered(box: Mailbox, code: int) -> Outcome:
    sentence = f"{box.server} answered {code}."
    return Refused(sentence=sentence) if code >= PERMANENT_FROM else TryLater(sentence=sentence)


def _domain(sender: str) -> str:
    return sender.rpartition("@")[2].strip("<> ") or "localhost"
