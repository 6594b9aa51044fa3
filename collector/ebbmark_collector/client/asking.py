"""One conversation with a collector: what it answers, and its problems as our failures."""

from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import quote

import requests
from requests.auth import AuthBase

from ebbmark_collector.client.failures import (
    ClientError,
    RefusedError,
    ScopeError,
    TokenError,
    TroubleError,
    UnknownError,
    UnreachableError,
)
from ebbmark_collector.client.settings import Access

TIMEOUT_S = (5.0, 60.0)  # [s] to connect; between two bytes of an answer
_BY_STATUS: Mapping[int, type[ClientError]] = {
    401: TokenError,
    403: ScopeError,
    404: UnknownError,
}
WHOLE_ID = 20  # [1] characters; the collector's ids have 26, people type the end of one
_MOST_LOOKED_AT = 20_000  # [1] rows
_NAMES = ("asset_tag", "serial", "drive_id", "label")
Document = dict[str, Any]


class _Bearer(AuthBase):
    """Shows the token; a user's .netrc has no say in it."""

    def __init__(self, token: str) -> None:
        self._token = token

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        request.headers["Authorization"] = f"Bearer {self._token}"
        return request


def part(text: str) -> str:
    """Give a text as one part of a path."""
    return quote(text, safe="")


class Collector:
    """A collector at an address."""

    def __init__(self, access: Access) -> None:
        self._access = access
        self._session = requests.Session()
        # A proxy or a .netrc of the environment must not see or change what goes to the collector.
        self._session.trust_env = False
        self._session.verify = str(access.ca_file) if access.ca_file else True

    @property
    def address(self) -> str:
        """Give where it is asked."""
        return self._access.address

    def get(self, path: str, *, open_to_all: bool = False, **query: Any) -> Document:
        """Read a resource; a query value of None is left out, a list is repeated.

        Raises:
            ClientError: Of the family that fits.
        """
        return self._send("GET", path, query=query, open_to_all=open_to_all)

    def every(self, path: str, *, limit: int, **query: Any) -> Iterator[Document]:
        """Walk the pages of a list until so many rows are given.

        Raises:
            ClientError: Of the family that fits.
        """
        page = self.get(path, limit=min(limit, 500), **query)
        given = 0
        while True:
            for row in page["items"]:
                yield row
                given += 1
                if given == limit:
                    return
            if not page.get("next"):
                return
            page = self._send("GET", page["next"])

    def text(self, path: str, **query: object) -> str:
        """Read what is not JSON, such as a picture.

        Raises:
            ClientError: Of the family that fits.
        """
        return self._answer("GET", path, query=query).text

    def post(self, path: str, body: Document | None = None) -> Document:
        """Do something.

        Raises:
            ClientError: Of the family that fits.
        """
        return self._send("POST", path, body=body)

    def patch(self, path: str, body: Document) -> Document:
        """Change something as it stands now; what somebody changes in between is not undone.

        Raises:
            ClientError: Of the family that fits.
        """
        stands = self._answer("GET", path)
        return self._send("PATCH", path, body=body, if_match=stands.headers.get("ETag"))

    def drive(self, which: str) -> Document:
        """Find one drive by asset tag, serial, id or label.

        Raises:
            UnknownError: When none is called so, or more than one.
        """
        if "…" in which:
            return self._by_ending(which.rpartition("…")[2], which)
        return self._one("drives", which, _NAMES, "asset tag, serial, id or label")

    def _by_ending(self, ending: str, which: str) -> Document:
        rows = list(self.every("/v1/drives", limit=_MOST_LOOKED_AT)) if len(ending) >= 4 else []
        found = [row for row in rows if (row["serial"] or row["drive_id"]).endswith(ending)]
        if len(found) == 1:
            return found[0]
        raise UnknownError(f"{len(found)} drives are called {which}; say which by serial or id.")

    def by_tail(self, path: str, key: str, which: str) -> str:
        """Give the whole id in a list that ends so.

        Raises:
            UnknownError: When none ends so, or more than one.
        """
        ending = which.lstrip("…")
        if len(ending) >= WHOLE_ID:
            return ending
        rows = self.every(path, limit=_MOST_LOOKED_AT, fields=key)
        found = list(
            dict.fromkeys(row[key] for row in rows if len(ending) >= 4 and row[key].endswith(ending))
        )
        if len(found) == 1:
            return str(found[0])
        if found:
            raise UnknownError(f"More than one ends in {ending}: give more of it ({', '.join(found[:4])}).")
        raise UnknownError(f"There is none whose id ends in {ending}.")

    def host(self, which: str) -> Document:
        """Find one host by name or id.

        Raises:
            UnknownError: When none is called so, or more than one.
        """
        return self._one("hosts", which, ("name", "host_id"), "name or id")

    def _one(self, kind: str, which: str, names: tuple[str, ...], said: str) -> Document:
        for name in names:
            found = self._send("GET", f"/v1/{kind}", query={name: which, "limit": 5})["items"]
            if len(found) == 1:
                row: Document = found[0]
                return row
            if found:
                ids = ", ".join(row[f"{kind[:-1]}_id"] for row in found)
                raise UnknownError(f"More than one is called {which}: say which by its id ({ids}).")
        raise UnknownError(f"No {kind[:-1]} has {which!r} as {said}. `ebbmark {kind}` lists them.")

    def _send(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, object] | None = None,
        body: Document | None = None,
        open_to_all: bool = False,
        if_match: str | None = None,
    ) -> Document:
        answer = self._answer(
            method, path, query=query, body=body, open_to_all=open_to_all, if_match=if_match
        )
        if answer.status_code == 204:
            return {}
        try:
            found = answer.json()
        except ValueError as error:
            raise self._no_collector() from error
        if not isinstance(found, dict):
            raise self._no_collector()
        return found

    def _answer(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, object] | None = None,
        body: Document | None = None,
        open_to_all: bool = False,
        if_match: str | None = None,
    ) -> requests.Response:
        given = {
            name: str(value).lower() if isinstance(value, bool) else value
            for name, value in (query or {}).items()
            if value is not None
        }
        try:
            answer = self._session.request(
                method,
                f"{self.address}{path}",
                params=given,  # type: ignore[arg-type]
                json=body,
                headers={"If-Match": if_match} if if_match else None,
                auth=None if open_to_all else _Bearer(self._access.need_token()),
                timeout=TIMEOUT_S,
                allow_redirects=False,
            )
        except requests.exceptions.SSLError as error:
            raise UnreachableError(
                f"{self.address} shows a certificate that is not trusted here. Name the studio's own "
                "authority with EBBMARK_CA_FILE or --ca-file."
            ) from error
        except requests.Timeout as error:
            raise UnreachableError(f"{self.address} does not answer in time.") from error
        except requests.RequestException as error:
            raise UnreachableError(
                f"Nobody answers at {self.address}. Is the collector running, and is the address right?"
            ) from error
        if answer.status_code >= 300:
            raise self._failure(answer)
        return answer

    def _no_collector(self) -> UnreachableError:
        return UnreachableError(f"What answers at {self.address} is not a collector.")

    def _failure(self, answer: requests.Response) -> ClientError:
        try:
            problem = answer.json()
            detail = str(problem["detail"])
        except (ValueError, KeyError, TypeError):
            return self._no_collector()
        family = _BY_STATUS.get(answer.status_code)
        if family is None:
            family = TroubleError if answer.status_code >= 500 or answer.status_code == 429 else RefusedError
        return family(detail)
