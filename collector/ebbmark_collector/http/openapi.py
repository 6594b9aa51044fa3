"""The OpenAPI document, made from the declared operations.

Source: OpenAPI Specification 3.1.0 (2021); its schemas are JSON Schema 2020-12.
"""

import json
from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from ebbmark_collector.http.operation import Match, Operation
from ebbmark_collector.http.problems import MEDIA, Problem

_REF = "#/components/schemas/{model}"
KEY_PATTERN = r'^("[A-Za-z0-9_.:-]{1,128}"|[A-Za-z0-9_.:-]{1,128})$'
ID_PATTERN = r"^[A-Za-z0-9_.:-]+$"


def _models(
    operations: Iterable[Operation], extra: Iterable[type[BaseModel]]
) -> list[tuple[type[BaseModel], Any]]:
    found: dict[tuple[type[BaseModel], str], None] = {(Problem, "serialization"): None}
    for model in extra:
        found[model, "validation"] = None
    for operation in operations:
        if operation.body is not None:
            found[operation.body, "validation"] = None
        for answer in operation.answers.values():
            if isinstance(answer, type):
                found[answer, "serialization"] = None
    return list(found)


def _path_parameters(path: str) -> list[dict[str, Any]]:
    names = [part[1:-1] for part in path.split("/") if part.startswith("{")]
    return [
        {
            "name": name,
            "in": "path",
            "required": True,
            "schema": {"type": "string", "minLength": 1, "maxLength": 256, "pattern": ID_PATTERN},
        }
        for name in names
    ]


def _query_parameters(model: type[BaseModel] | None, schemas: dict[str, Any]) -> list[dict[str, Any]]:
    if model is None:
        return []
    whole = model.model_json_schema(ref_template=_REF)
    schemas.update(whole.pop("$defs", {}))
    parameters = []
    for name, schema in whole.get("properties", {}).items():
        clean = {
            key: value for key, value in schema.items() if key not in {"title", "description", "default"}
        }
        if "anyOf" in clean:  # a parameter is given or left out, never null
            some = [part for part in clean.pop("anyOf") if part.get("type") != "null"]
            clean |= some[0] if len(some) == 1 else {"anyOf": some}
        parameter = {
            "name": name,
            "in": "query",
            "required": name in whole.get("required", []),
            "schema": clean,
        }
        if "description" in schema:
            parameter["description"] = schema["description"]
        parameters.append(parameter)
    return parameters


def _header(name: str, description: str, schema: dict[str, Any], *, required: bool = False) -> dict[str, Any]:
    return {"name": name, "in": "header", "required": required, "description": description, "schema": schema}


_IF_MATCH = {
    Match.OFFERED: "The ETag last read; refused with 412 if it was edited since.",
    Match.NEEDED: "The ETag last read; 428 without, 412 if it was edited since. `*` overwrites what stands.",
    Match.NEEDED_ONCE_THERE: (
        "The ETag last read, if one of that name is there: 428 without, 412 if it was edited since. "
        "`*` overwrites what stands."
    ),
}


def _header_parameters(operation: Operation) -> list[dict[str, Any]]:
    found = []
    if operation.action:
        found.append(
            _header(
                "Idempotency-Key",
                "A key of your own making, quoted: the same key and request give the same answer again.",
                {"type": "string", "minLength": 1, "maxLength": 130, "pattern": KEY_PATTERN},
            )
        )
    if operation.match is not Match.NO:
        found.append(
            _header(
                "If-Match",
                _IF_MATCH[operation.match],
                {"type": "string", "pattern": r'^(\*|"[A-Za-z0-9_.:-]+")$'},
                required=operation.match is Match.NEEDED,
            )
        )
    if operation.match is Match.NEEDED_ONCE_THERE:
        found.append(
            _header(
                "If-None-Match",
                "`*` makes only what is not there yet; 412 if it is.",
                {"type": "string", "const": "*"},
            )
        )
    if operation.method == "GET":
        found.append(_header("If-None-Match", "An ETag held; 304 if nothing changed.", {"type": "string"}))
    return found


_HEADERS = {
    "ETag": {"description": "Names this state of the resource.", "schema": {"type": "string"}},
    "Link": {"description": "The first page and the next, RFC 8288.", "schema": {"type": "string"}},
}


def _answer(
    answer: type[BaseModel] | str | None, description: str, schemas_by: dict[Any, Any]
) -> dict[str, Any]:
    if answer is None:
        return {"description": description}
    if isinstance(answer, str):
        kind = "object" if answer == "application/json" else "string"
        content = {media: {"schema": {"type": kind}} for media in answer.split(" or ")}
        return {"description": description, "content": content}
    return {
        "description": description,
        "content": {"application/json": {"schema": schemas_by[answer, "serialization"]}},
    }


_SAYS = {
    200: "Done.",
    201: "Made.",
    202: "Taken, not yet decided.",
    204: "Done; nothing to show.",
    304: "Nothing changed.",
}


def _problem_statuses(operation: Operation) -> list[int]:
    statuses = [*operation.problems, 429, 500, 503]
    if (
        operation.query is not None
        or operation.body is not None
        or operation.raw_body
        or operation.method == "GET"
    ):
        statuses.append(422)
    if operation.query is not None:
        statuses.append(414)
    if operation.scopes:
        statuses += [401, 403]
    if "{" in operation.path:
        statuses.append(404)
    if operation.body is not None or operation.raw_body:
        statuses += [400, 413, 415]
    if operation.method != "GET":
        statuses += [400, 409, 422, 507]
    if operation.match is not Match.NO:
        statuses.append(412)
    if operation.match in {Match.NEEDED, Match.NEEDED_ONCE_THERE}:
        statuses.append(428)
    return sorted(set(statuses))


def _operation(operation: Operation, schemas_by: dict[Any, Any], schemas: dict[str, Any]) -> dict[str, Any]:
    responses: dict[str, Any] = {
        str(status): _answer(answer, _SAYS.get(status, "Done."), schemas_by)
        for status, answer in sorted(operation.answers.items())
    }
    if operation.method == "GET" and 200 in operation.answers:
        responses["200"]["headers"] = _HEADERS
        responses["304"] = {"description": _SAYS[304]}
    for status in _problem_statuses(operation):
        responses[str(status)] = {"$ref": f"#/components/responses/Problem{status}"}
    made: dict[str, Any] = {
        "operationId": operation.name,
        "summary": operation.summary,
        "tags": [operation.tag],
        "parameters": [
            *_path_parameters(operation.path),
            *_query_parameters(operation.query, schemas),
            *_header_parameters(operation),
        ],
        "responses": responses,
        "security": [{"token": []}] if operation.scopes else [],
    }
    if operation.description or operation.scopes:
        who = f"For {' and '.join(sorted(operation.scopes))} tokens." if operation.scopes else ""
        made["description"] = f"{operation.description} {who}".strip()
    if operation.body is not None:
        content: dict[str, Any] = {"schema": schemas_by[operation.body, "validation"]}
        if operation.body_example is not None:
            content["example"] = operation.body_example
        made["requestBody"] = {"required": True, "content": {"application/json": content}}
    return made


def _sparse_rows(schemas: dict[str, Any]) -> None:
    """Say that a row of a page may lack any field: `fields` leaves out what was not asked for."""
    for schema in list(schemas.values()):
        parts = schema.get("properties", {})
        if set(parts) == {"items", "next"}:
            row = parts["items"]["items"]["$ref"].rpartition("/")[2]
            schemas[row].pop("required", None)


def _with_short_names(made: dict[str, Any]) -> dict[str, Any]:
    """Call every schema by one word: two of one name in different modules are told apart by what they are.

    A client generator makes classes of these names and refuses two that differ in their module only.
    """
    schemas = made["components"]["schemas"]
    text = json.dumps(made)
    taken = set(schemas)
    for long in sorted(name for name in schemas if "__" in name):
        word = long.rpartition("__")[2]
        short = f"{word}Word" if "enum" in schemas[long] else word
        assert short not in taken, short
        taken.add(short)
        text = text.replace(f'"{long}"', f'"{short}"').replace(f'/schemas/{long}"', f'/schemas/{short}"')
    named: dict[str, Any] = json.loads(text)
    for name, schema in named["components"]["schemas"].items():
        schema["title"] = name  # generators go by the title where there is one
    return named


def document(
    operations: list[Operation], *, version: str, extra: Iterable[type[BaseModel]] = ()
) -> dict[str, Any]:
    """Make the OpenAPI document.

    Args:
        operations: Every declared operation.
        version: The collector's version.
        extra: Models to show although no operation names them.
    """
    from http import HTTPStatus

    schemas_by, whole = models_json_schema(_models(operations, extra), ref_template=_REF)
    schemas: dict[str, Any] = dict(whole.get("$defs", {}))
    paths: dict[str, dict[str, Any]] = {}
    statuses: set[int] = set()
    for operation in operations:
        made = _operation(operation, schemas_by, schemas)
        paths.setdefault(operation.path, {})[operation.method.lower()] = made
        statuses.update(_problem_statuses(operation))
    _sparse_rows(schemas)
    problem_schema = schemas_by[Problem, "serialization"]
    made = {
        "openapi": "3.1.0",
        "info": {
            "title": "Ebbmark collector",
            "version": version,
            "summary": "Which drive may record what, for how long, and why not.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": "/"}],
        "paths": paths,
        "components": {
            "schemas": schemas,
            "responses": {
                f"Problem{status}": {
                    "description": HTTPStatus(status).phrase,
                    "content": {MEDIA: {"schema": problem_schema}},
                }
                for status in sorted(statuses)
            },
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }
    return _with_short_names(made)
