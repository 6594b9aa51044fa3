"""Posts one message to a webhook: signed, to the very address that was looked at, following no redirect."""

import email.utils
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import requests
from requests.adapters import HTTPAdapter

from ebbmark_collector.notify.addresses import AddressRefused, Destination, Resolve, destination, resolve
from ebbmark_collector.notify.messages import CONTENT_TYPE, Message
from ebbmark_collector.notify.outcomes import Delivered, Outcome, Refused, TryLater
from ebbmark_collector.notify.signing import Secret, signed_headers

CONNECT_S, ANSWER_S = 5.0, 20.0  # [s] Standard Webhooks 1.0.0: give a receiver 15 to 30 s
GONE = 410


@dataclass(frozen=True, kw_only=True, slots=True)
class Webhook:
    """A receiver. Its URL is in no repr: some services put a secret into it.

    Attributes:
        allowed_hosts: Hosts it may go to; empty: any public one.
        ca_file: Certificates to trust instead of the system's.
    """

    name: str
    url: str = field(repr=False)
    secret: Secret
    allowed_hosts: tuple[str, ...] = ()
    ca_file: str | None = None


class _ToAddress(HTTPAdapter):
    """Connects to one address whatever the name resolves to now; TLS is still checked against the name."""

    def __init__(self, to: Destination) -> None:
        self._to = to
        super().__init__(max_retries=0)

    def build_connection_pool_key_attributes(
        self, request: requests.PreparedRequest, verify: bool | str, cert: Any = None
    ) -> Any:
        host, pool = super().build_connection_pool_key_attributes(request, verify, cert)
        names: dict[str, Any] = {}
        if self._to.scheme == "https":
            names = {"server_hostname": self._to.host, "assert_hostname": self._to.host}
        return {**host, "host": self._to.address}, {**pool, **names}


def post(hook: Webhook, message: Message, *, now: datetime, look_up: Resolve = resolve) -> Outcome:
    """Make one attempt.

    Args:
        hook: The receiver.
        message: What is sent; its id is the same for every attempt.
        now: The instant, which goes into the signature.
        look_up: Gives the addresses of a name.
    """
    try:
        to = destination(hook.url, allowed_hosts=hook.allowed_hosts, resolve=look_up)
    except AddressRefused as refusal:
        return (
            TryLater(sentence=str(refusal)) if "just now" in str(refusal) else Refused(sentence=str(refusal))
        )
    body = message.body.encode()
    headers = {
        "Host": to.authority,
        "Content-Type": CONTENT_TYPE,
        "User-Agent": "ebbmark-collector",
        **signed_headers(hook.secret, message_id=message.message_id, sent_at=now, body=body),
    }
    with requests.Session() as session:
        session.trust_env = False
        session.mount(f"{to.scheme}://", _ToAddress(to))
        try:
            answer = session.post(
                hook.url,
                data=body,
                headers=headers,
                timeout=(CONNECT_S, ANSWER_S),
                allow_redirects=False,
                stream=True,
                verify=hook.ca_file or True,
            )
        except requests.RequestException as error:
            # The error's text holds the URL, and the URL may hold a secret.
            return TryLater(sentence=f"{to.host} could not be reached ({_in_words(error)}).")
        with answer:
            return _outcome(to.host, answer.status_code, answer.headers, now)


def _outcome(host: str, status: int, headers: Mapping[str, str], now: datetime) -> Outcome:
    if 200 <= status < 300:
        return Delivered(sentence=f"{host} answered {status}.")
    if status == GONE:
        return Refused(sentence=f"{host} answered 410: it wants no more messages.", target_gone=True)
    if 300 <= status < 400:
        return TryLater(
            sentence=f"{host} answered {status}; redirects are not followed, so give its new URL."
        )
    return TryLater(sentence=f"{host} answered {status}.", after_s=_retry_after(headers, now))


def _retry_after(headers: Mapping[str, str], now: datetime) -> float | None:
    """Read Retry-After, in seconds or as a date (RFC 9110, section 10.2.3)."""
    text = headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        at = email.utils.parsedate_to_datetime(text)
    except ValueError:
        return None
    at = at if at.tzinfo is not None else at.replace(tzinfo=UTC)
    return max(0.0, (at - now).total_seconds())


def _in_words(error: requests.RequestException) -> str:
    for kind, words in _WORDS:
        if isinstance(error, kind):
            return words
    return type(error).__name__


_WORDS: Sequence[tuple[type[requests.RequestException], str]] = (
    (requests.exceptions.SSLError, "its certificate was not accepted"),
    (requests.exceptions.ConnectTimeout, "no connection in time"),
    (requests.exceptions.ReadTimeout, "no answer in time"),
    (requests.exceptions.ConnectionError, "no connection"),
)
