"""How an answer leaves: JSON once, an ETag, 304 where nothing changed, gzip where it is taken.

Source: RFC 9110, HTTP Semantics: sections 8.8.3 (ETag), 13.1.1 (If-Match), 13.1.2 (If-None-Match).
RFC 6585, Additional HTTP Status Codes: section 3 (428).
"""

import gzip
import hashlib
import json
from collections.abc import Iterator
from typing import Any

from flask import Request, Response
from pydantic import BaseModel
from werkzeug.datastructures import Headers

from ebbmark_collector.http.operation import Reply
from ebbmark_collector.http.problems import HttpProblem

VARY = "Accept-Encoding, Authorization"
_GZIP_FROM = 1_000  # [bytes] below this packing costs more than it saves


def etag_of(body: bytes, revision: int | None) -> str:
    """Give the strong ETag of a body; one that can be edited begins with its revision."""
    digest = hashlib.sha256(body).hexdigest()[:20]
    return f'"{revision}-{digest}"' if revision is not None else f'"{digest}"'


def need_if_match(headers: Headers, revision: int) -> None:
    """Refuse an edit by a caller who does not say what it read: it may undo somebody else's.

    Raises:
        HttpProblem: 428 without If-Match; 412 as `check_if_match`.
    """
    if headers.get("If-Match") is None:
        raise HttpProblem(
            428,
            "Say which state you are changing: GET this address, look at what stands there now, and send its "
            "ETag back as If-Match. So nobody undoes what somebody else changed meanwhile.",
            field="If-Match",
        )
    check_if_match(headers, revision)


def check_if_match(headers: Headers, revision: int) -> None:
    """Refuse an edit of something that was edited since it was read.

    The part of the ETag after the revision changes with every report; only the revision tells of edits.

    Raises:
        HttpProblem: 412.
    """
    header = headers.get("If-Match")
    if header is None or header.strip() == "*":
        return
    tags = [tag.strip() for tag in header.split(",")]
    if any(tag.strip('"').partition("-")[0] == str(revision) for tag in tags):
        return
    sentence = "This was edited since you read it. Read it again, look at the change, and repeat."
    if any(tag.startswith("W/") for tag in tags):
        sentence = (
            "A weak ETag (W/) does not do for If-Match: something between you and the collector repacked the "
            "answer. GET it with `Accept-Encoding: identity` and send the ETag of that."
        )
    raise HttpProblem(412, sentence, field="If-Match")


def check_not_there(headers: Headers) -> None:
    """Refuse to replace what is there for a caller who asked to make it anew (`If-None-Match: *`).

    Raises:
        HttpProblem: 412.
    """
    if (headers.get("If-None-Match") or "").strip() == "*":
        raise HttpProblem(412, "There is one of that name already.", field="If-None-Match")


def refuse_unmatched(headers: Headers) -> None:
    """Refuse to make anew what the caller believed to be there.

    Raises:
        HttpProblem: 412.
    """
    if headers.get("If-Match") is not None:
        raise HttpProblem(
            412, "There is none of that name any more; send no If-Match to make it.", field="If-Match"
        )


def _is_held(request: Request, etag: str) -> bool:
    held = request.headers.get("If-None-Match")
    if held is None:
        return False
    tags = [tag.strip().removeprefix("W/") for tag in held.split(",")]
    return "*" in tags or etag in tags


def _bytes_of(reply: Reply) -> bytes:
    body = reply.body
    if isinstance(body, BaseModel):
        if reply.fields:
            return json.dumps(_sparse(body, reply.fields), ensure_ascii=False, separators=(",", ":")).encode()
        return body.model_dump_json().encode()
    assert body is None or isinstance(body, bytes)
    return body or b""


def _sparse(body: BaseModel, fields: tuple[str, ...]) -> Any:
    whole = body.model_dump(mode="json")
    wanted = set(fields)
    if isinstance(whole.get("items"), list):
        whole["items"] = [{k: v for k, v in item.items() if k in wanted} for item in whole["items"]]
        return whole
    return {k: v for k, v in whole.items() if k in wanted}


def plain_bytes(reply: Reply) -> bytes | None:
    """Give the body of an answer that `write` leaves as it is whoever sent the POST; None of others."""
    plain = reply.status == 200 and not reply.headers and reply.revision is None
    if not plain or isinstance(reply.body, Iterator):
        return None
    body = _bytes_of(reply)
    return body if len(body) < _GZIP_FROM else None


def _accepts_gzip(request: Request) -> bool:
    return request.accept_encodings["gzip"] > 0


def write(request: Request, reply: Reply) -> Response:
    """Turn a view's reply into a response."""
    if isinstance(reply.body, Iterator):
        response = Response(reply.body, status=reply.status, content_type=reply.media)
        response.headers.update(reply.headers)
        return response
    body = _bytes_of(reply)
    response = Response(status=reply.status)
    response.headers.update(reply.headers)
    if request.method in {"GET", "HEAD"} or reply.revision is not None:
        etag = etag_of(body, reply.revision)
        response.headers["ETag"] = etag
        response.headers.setdefault("Cache-Control", "private, no-cache")
        if request.method in {"GET", "HEAD"} and reply.status == 200 and _is_held(request, etag):
            response.status_code = 304
            response.headers.remove("Content-Type")
            return response
    if reply.status == 204:
        response.headers.remove("Content-Type")
        return response
    response.headers["Content-Type"] = reply.media
    response.headers["Vary"] = VARY
    if len(body) >= _GZIP_FROM and _accepts_gzip(request):
        body = gzip.compress(body, 5, mtime=0)
        response.headers["Content-Encoding"] = "gzip"
    response.set_data(body)
    return response
