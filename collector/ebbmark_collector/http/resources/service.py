"""Whether the collector lives, whether it is ready, and its own description."""

import json

from flask import current_app

from ebbmark_collector.errors import StoreError
from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.problems import HttpProblem

routes = Routes("service")


class Alive(Out):
    """A sign of life."""

    live: bool = True


class Ready(Out):
    """The database answers."""

    ready: bool
    engine: str


@routes.add("GET", "/live", summary="Whether the process lives", scopes=(), answers={200: Alive})
def live(call: Call) -> Reply:
    """Answer as long as the process does."""
    return Reply(body=Alive(), headers={"Cache-Control": "no-store"})


@routes.add("GET", "/ready", summary="Whether it can take reports", scopes=(), answers={200: Ready})
def ready(call: Call) -> Reply:
    """Answer 200 if the database can be read, else 503."""
    try:
        call.store.read(lambda tx: tx.query("SELECT host_id FROM hosts LIMIT 1"))
    except StoreError as error:
        raise HttpProblem(503, error.sentence, headers={"Retry-After": "5"}) from error
    return Reply(body=Ready(ready=True, engine=call.store.engine), headers={"Cache-Control": "no-store"})


@routes.add(
    "GET",
    "/openapi.json",
    summary="This description",
    scopes=(),
    answers={200: "application/json"},
)
def openapi(call: Call) -> Reply:
    """Give the OpenAPI document."""
    return Reply(body=json.dumps(current_app.config["OPENAPI"], ensure_ascii=False).encode())
