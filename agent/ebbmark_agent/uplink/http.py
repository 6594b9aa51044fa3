"""The collector's door as the agent sees it: claim an enrolment, fetch orders, hand in reports.

One request at a time, never redirected, the token never over plain http beyond this machine unless the owner
says so. What the network or the collector does wrong comes out as one of the agent's own errors.
"""

import ipaddress
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

import requests
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError
from requests.adapters import HTTPAdapter
from urllib3.util.retry import Retry

from ebbmark_agent.errors import (
    AnswerMalformedError,
    CertificateError,
    CollectorBusyError,
    CollectorUnreachableError,
    EnrolmentPendingError,
    EnrolmentRefusedError,
    InsecureCollectorError,
    ReportsRefusedError,
    TokenRefusedError,
)
from ebbmark_agent.spool import Waiting

TIMEOUT_S = (5.0, 30.0)  # [s] to connect, to answer
BUSY = frozenset({408, 425, 429, 500, 502, 503, 504})
RETRY_AFTER_MOST_S = 86_400.0  # [s] a longer wish is cut to a day


class _Answer(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


_T = TypeVar("_T", bound=_Answer)


class Claimed(_Answer):
    """A claimed enrolment."""

    host_id: str = Field(min_length=1)
    agent_token: str = Field(min_length=1)
    expires_at: AwareDatetime | None = None


class RefusedReport(_Answer):
    """One report the collector does not take, and why."""

    report_id: str
    problem: str


class Received(_Answer):
    """What became of each report of a request."""

    accepted: tuple[str, ...] = ()
    repeated: tuple[str, ...] = ()
    refused: tuple[RefusedReport, ...] = ()


@dataclass(frozen=True, kw_only=True)
class FetchedOrders:
    """An orders document as it came, with its tag."""

    document: bytes
    tag: str | None


class _Bearer(requests.auth.AuthBase):
    """Sets the token itself, so that no .netrc entry can take its place."""

    def __init__(self, token: str | None) -> None:
        self._token = token

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        if self._token:
            request.headers["Authorization"] = f"Bearer {self._token}"
        return request


def refuse_insecure(url: str, *, allow_plain_http: bool) -> None:
    """Refuse an address that would send the token in the clear.

    Args:
        url: The collector's address.
        allow_plain_http: The owner's word that the network is trusted.

    Raises:
        InsecureCollectorError: It is plain http beyond this machine.
    """
    parts = urlsplit(url)
    if parts.scheme == "https" or allow_plain_http:
        return
    host = parts.hostname or ""
    try:
        loopback = ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = host == "localhost"
    if not loopback:
        raise InsecureCollectorError(url=url)


class Collector:
    """One collector, spoken to over one kept connection."""

    def __init__(
        self,
        *,
        url: str,
        token: str | None,
        agent_version: str,
        ca_file: Path | None = None,
        allow_plain_http: bool = False,
        timeout_s: tuple[float, float] = TIMEOUT_S,
    ) -> None:
        """Take the address, the token and how to trust it.

        Raises:
            InsecureCollectorError: The address is plain http beyond this machine.
        """
        refuse_insecure(url, allow_plain_http=allow_plain_http)
        self._url = url.rstrip("/")
        self._timeout_s = timeout_s
        self._session = requests.Session()
        self._session.auth = _Bearer(token)
        # Given with each request: an environment variable would win over the session's own.
        self._verify = str(ca_file) if ca_file else True
        self._session.headers["User-Agent"] = f"ebbmark-agent/{agent_version}"
        # The spool tries again; here only a connection that was never made is tried twice.
        # Retry-After is the delivery's to obey: urllib3 would turn such an answer into a network error.
        retry = Retry(
            total=1,
            connect=1,
            read=0,
            redirect=0,
            status=0,
            other=0,
            backoff_factor=0.2,
            respect_retry_after_header=False,
        )
        for scheme in ("https://", "http://"):
            self._session.mount(scheme, HTTPAdapter(max_retries=retry))

    def close(self) -> None:
        """Close the kept connection."""
        self._session.close()

    def claim(self, *, enrol_token: str, host_name: str, system: str, machine_key: str) -> Claimed:
        """Claim an enrolment; claiming again with the same key is harmless.

        Args:
            enrol_token: The token from the collector's admin.
            host_name: How this machine is called.
            system: Its operating system.
            machine_key: The random key of this installation.

        Returns:
            The host's id and its token.

        Raises:
            EnrolmentPendingError: The admin has to approve it first.
            EnrolmentRefusedError: The token is not accepted.
            DeliveryError: The collector cannot be reached or trusted.
            AnswerMalformedError: The answer is not what the protocol says.
        """
        body = {
            "enrol_token": enrol_token,
            "host_name": host_name,
            "system": system,
            "machine_key": machine_key,
        }
        answer = self._ask("POST", "/v1/enrolments/claim", body=json.dumps(body).encode())
        if answer.status_code == 202:
            raise EnrolmentPendingError(url=self._url)
        if answer.status_code in {400, 401, 403, 404, 409, 410, 422}:
            raise EnrolmentRefusedError(url=self._url, reason=_problem(answer))
        self._expect(answer, 200, 201)
        return self._parse(Claimed, answer)

    def fetch_orders(self, *, host_id: str, tag: str | None) -> FetchedOrders | None:
        """Fetch this host's orders if they changed.

        Args:
            host_id: This host.
            tag: The tag of the orders held, or None.

        Returns:
            The document, or None if the held one is still good.

        Raises:
            TokenRefusedError: The token is not accepted.
            DeliveryError: The collector cannot be reached, trusted or is busy.
        """
        headers = {"If-None-Match": tag} if tag else {}
        answer = self._ask("GET", f"/v1/hosts/{host_id}/orders", headers=headers)
        if answer.status_code == 304:
            return None
        self._expect(answer, 200)
        return FetchedOrders(document=answer.content, tag=answer.headers.get("ETag"))

    def hand_in(self, batch: Sequence[Waiting]) -> Received:
        """Hand in reports.

        Args:
            batch: The reports, oldest first, not empty.

        Returns:
            What became of each.

        Raises:
            TokenRefusedError: The token is not accepted.
            ReportsRefusedError: The request as a whole is refused.
            CollectorBusyError: The collector wants to be left alone.
            DeliveryError: It cannot be reached or trusted.
            AnswerMalformedError: The answer is not what the protocol says.
        """
        text = '{"reports":[' + ",".join(one.body for one in batch) + "]}"
        answer = self._ask("POST", "/v1/reports", body=text.encode())
        self._expect(answer, 200)
        return self._parse(Received, answer)

    def _ask(
        self, method: str, path: str, *, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> requests.Response:
        content = {"Content-Type": "application/json"} if body is not None else {}
        try:
            return self._session.request(
                method,
                self._url + path,
                data=body,
                headers={"Accept": "application/json", **content, **(headers or {})},
                timeout=self._timeout_s,
                verify=self._verify,
                allow_redirects=False,
            )
        except requests.exceptions.SSLError as error:
            raise CertificateError(url=self._url, reason=_innermost(error)) from error
        except requests.exceptions.RequestException as error:
            raise CollectorUnreachableError(url=self._url, reason=_innermost(error)) from error
        except OSError as error:  # a CA file that is not there
            raise CertificateError(url=self._url, reason=str(error)) from error

    def _expect(self, answer: requests.Response, *good: int) -> None:
        status = answer.status_code
        if status in good:
            return
        if status in {401, 403}:
            raise TokenRefusedError(url=self._url)
        if status in BUSY:
            raise CollectorBusyError(
                url=self._url, status=status, retry_after_s=retry_after_s(answer.headers)
            )
        if 400 <= status < 500:
            raise ReportsRefusedError(url=self._url, status=status, problem=_problem(answer))
        raise AnswerMalformedError(url=self._url, reason=f"HTTP {status}.")

    def _parse(self, model: type[_T], answer: requests.Response) -> _T:
        try:
            return model.model_validate_json(answer.content)
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(part) for part in first["loc"]) or "body"
            raise AnswerMalformedError(url=self._url, reason=f"{where}: {first['msg']}.") from error


def retry_after_s(headers: Mapping[str, str]) -> float | None:
    """Read how long the collector wants to be left alone.

    Args:
        headers: The answer's headers; a date counts from the answer's own Date, so clocks need not agree.

    Returns:
        The time [s], or None if it does not say.

    Source:
        RFC 9110 section 10.2.3: seconds or an HTTP date.
    """
    text = headers.get("Retry-After", "").strip()
    if text.isdecimal():
        return min(float(text), RETRY_AFTER_MOST_S)
    until, sent = _date(text), _date(headers.get("Date", ""))
    if until is None or sent is None:
        return None
    return min(max(0.0, (until - sent).total_seconds()), RETRY_AFTER_MOST_S)


def _date(text: str) -> datetime | None:
    try:
        return parsedate_to_datetime(text)
    except ValueError:
        return None


def _problem(answer: requests.Response) -> str:
    """The problem's own words (RFC 9457), else the status."""
    try:
        document: Any = answer.json()
    except ValueError:
        document = None
    if isinstance(document, dict):
        for key in ("detail", "title"):
            if isinstance(document.get(key), str) and document[key].strip():
                return str(document[key]).strip()[:500]
    return f"HTTP {answer.status_code}."


def _innermost(error: BaseException) -> str:
    """The shortest true reason of a nested network error."""
    while (inner := error.__cause__ or error.__context__) is not None:
        error = inner
    strerror = getattr(error, "strerror", None)
    return str(strerror or error)
