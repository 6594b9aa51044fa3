"""An action sent twice with one key is done once; the second caller gets the first answer.

Source: draft-ietf-httpapi-idempotency-key-header-07 (2025, a draft).
"""

import hashlib
import json
import re
from collections.abc import Callable

from flask import Request, Response

from ebbmark_collector.http.openapi import KEY_PATTERN
from ebbmark_collector.http.problems import HttpProblem
from ebbmark_collector.store import Store, actions
from ebbmark_collector.store.tx import Row

_KEPT = ("Content-Type", "ETag", "Location", "Link")


def key_of(request: Request) -> str | None:
    """Give the key a request carries, without its quotes.

    Raises:
        HttpProblem: 400 when it is not of the form a key has.
    """
    text = request.headers.get("Idempotency-Key")
    if text is None:
        return None
    if not re.fullmatch(KEY_PATTERN, text):
        raise HttpProblem(
            400,
            "An Idempotency-Key is a quoted text of at most 128 letters, digits and _ . : -",
            field="Idempotency-Key",
        )
    return text.strip('"')


def once(
    store: Store,
    request: Request,
    *,
    key: str,
    token_id: str,
    body: bytes,
    now_ms: int,
    act: Callable[[], Response],
) -> Response:
    """Act once for this key, or give the answer that was given for it.

    Raises:
        HttpProblem: 409 while the first is still being done; 422 when the request differs from the first.
    """
    digest = hashlib.sha256(b"\n".join((request.method.encode(), request.full_path.encode(), body))).digest()
    earlier = store.write(lambda tx: actions.begin(tx, token_id, key, digest, now_ms))
    if earlier is not None:
        return _replay(earlier, digest)
    try:
        response = act()
    except BaseException:
        store.write(lambda tx: actions.forget(tx, token_id, key))
        raise
    kept = {name: response.headers[name] for name in _KEPT if name in response.headers}
    data = response.get_data()
    if response.headers.get("Content-Encoding") == "gzip":
        import gzip

        data = gzip.decompress(data)
    store.write(
        lambda tx: actions.finish(
            tx, token_id, key, status=response.status_code, headers_json=json.dumps(kept), body=data
        )
    )
    return response


def _replay(earlier: Row, digest: bytes) -> Response:
    if bytes(earlier["request_hash"]) != digest:
        raise HttpProblem(
            422, "This key was used for another request. Make a new key.", field="Idempotency-Key"
        )
    if earlier["status"] is None:
        raise HttpProblem(
            409,
            "The first request with this key is still being done. Ask again.",
            headers={"Retry-After": "1"},
        )
    response = Response(bytes(earlier["body"]), status=earlier["status"])
    for name, value in json.loads(earlier["headers_json"]).items():
        response.headers[name] = value
    response.headers["Idempotency-Replayed"] = "true"
    return response
