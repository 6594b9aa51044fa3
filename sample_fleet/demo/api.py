"""The collector's API as the demonstration's admin uses it."""

import secrets
from typing import Any

import requests

from sample_fleet.demo.programs import DemoError


class Api:
    """A session with the admin's token."""

    def __init__(self, url: str, token: str) -> None:
        """Remember where and as whom."""
        self.url = url
        self._session = requests.Session()
        self._session.headers["Authorization"] = f"Bearer {token}"

    def close(self) -> None:
        """Close the session's connections."""
        self._session.close()

    def _send(self, method: str, path: str, **how: Any) -> requests.Response:
        answer = self._session.request(method, f"{self.url}{path}", timeout=30, **how)
        if not answer.ok:
            raise DemoError(f"{method} {path} was answered with {answer.status_code}: {answer.text[:500]}")
        return answer

    def get(self, path: str, **query: str | int) -> Any:
        """Read a document."""
        return self._send("GET", path, params=query).json()

    def put(self, path: str, body: object) -> Any:
        """Make a document where none is."""
        return self._send("PUT", path, json=body, headers={"If-None-Match": "*"}).json()

    def post(self, path: str, body: object) -> Any:
        """Post a document, safe to repeat."""
        return self._send("POST", path, json=body, headers={"Idempotency-Key": secrets.token_hex(8)}).json()

    def patch(self, path: str, body: object) -> Any:
        """Edit a document as it was last read."""
        tag = self._send("GET", path).headers["ETag"]
        return self._send("PATCH", path, json=body, headers={"If-Match": tag}).json()
