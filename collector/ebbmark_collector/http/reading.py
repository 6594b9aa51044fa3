"""What comes in with a request: bytes within their limits, strict JSON, a query that says what it means."""

import gzip
import io
import zlib
from typing import Any

from flask import Request
from pydantic import BaseModel
from pydantic_core import from_json

from ebbmark_collector.http.problems import HttpProblem

_CHUNK = 65_536  # [bytes]


def read_body(request: Request, *, max_bytes: int) -> bytes:
    """Read a body, unpacking gzip with a limit on what comes out.

    Args:
        request: The request.
        max_bytes: The most a body may hold, packed or not [bytes].

    Raises:
        HttpProblem: 413 beyond the limit, 415 for a packing not taken, 400 for broken gzip.
    """
    if request.content_length is not None and request.content_length > max_bytes:
        raise HttpProblem(
            413, f"A body may hold at most {max_bytes} bytes; send the rest in the next request."
        )
    packing = (request.headers.get("Content-Encoding") or "identity").strip().lower()
    if packing not in {"identity", "gzip"}:
        raise HttpProblem(
            415,
            "Bodies are taken plain or packed with gzip.",
            headers={"Accept-Encoding": "gzip"},
            field="Content-Encoding",
        )
    data = request.get_data(cache=False)
    if packing == "identity":
        return data
    parts: list[bytes] = []
    size = 0
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as unpacked:
            while part := unpacked.read(_CHUNK):
                size += len(part)
                if size > max_bytes:
                    raise HttpProblem(413, f"Unpacked, the body holds more than {max_bytes} bytes.")
                parts.append(part)
    except (OSError, EOFError, zlib.error) as error:
        raise HttpProblem(400, "The body says it is gzip but cannot be unpacked.") from error
    return b"".join(parts)


def check_json_type(request: Request) -> None:
    """Refuse a body that does not say it is JSON.

    Raises:
        HttpProblem: 415.
    """
    if request.mimetype != "application/json":
        raise HttpProblem(415, "Send the body as application/json.", field="Content-Type")


def read_query(request: Request, model: type[BaseModel] | None) -> BaseModel | None:
    """Check the query against its model; a name that is not in it is told, not ignored.

    Raises:
        HttpProblem: 422 when a parameter is given that the operation does not have, or twice.
        pydantic.ValidationError: When a value does not fit.
    """
    given = request.args
    fields: dict[str, Any] = dict(model.model_fields) if model else {}
    for name in given:
        if name not in fields:
            known = ", ".join(sorted(fields)) or "none"
            raise HttpProblem(
                422, f"There is no parameter {name[:60]!r} here; there are: {known}.", field=name[:60]
            )
    if model is None:
        return None
    values: dict[str, Any] = {}
    for name in given:
        many = given.getlist(name)
        if "tuple" in str(fields[name].annotation):
            values[name] = many
        elif len(many) > 1:
            raise HttpProblem(422, f"{name} is given more than once; it takes one value.", field=name)
        else:
            values[name] = many[0]
    return model.model_validate(values)


def check_json(data: bytes) -> None:
    """Refuse what is not JSON in UTF-8, or nested deeper than the parser's own limit of some 200.

    Raises:
        HttpProblem: 400.
    """
    try:
        from_json(data, allow_inf_nan=False)
    except ValueError as error:
        raise HttpProblem(400, f"The body is not JSON: {error}.") from error
