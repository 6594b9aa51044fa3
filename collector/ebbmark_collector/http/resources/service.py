"""Whether the collector lives, whether it is ready, and its own description."""

import json

from flask import current_app

from ebbmark_collector.errors import NotFound, StoreError
from ebbmark_collector.http.docs_page import page, problem_page
from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.problems import HttpProblem, kinds
from ebbmark_collector.store import soundness

routes = Routes("service")


class Alive(Out):
    """A sign of life."""

    live: bool = True


class Ready(Out):
    """The database answers."""

    ready: bool
    engine: str


@routes.add("GET", "/live", summary="Whether the process lives", scopes=(), answers={200: Alive})
def live(_: Call) -> Reply:
    """Answer as long as the process does."""
    return Reply(body=Alive(), headers={"Cache-Control": "no-store"})


@routes.add("GET", "/ready", summary="Whether it can take reports", scopes=(), answers={200: Ready})
def ready(call: Call) -> Reply:
    """Answer 200 if the database can be read and the last look at its file found it whole, else 503."""
    fault = soundness.fault_of(call.store)
    if fault is not None:
        raise HttpProblem(503, fault, headers={"Retry-After": "3600"})
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
def openapi(_: Call) -> Reply:
    """Give the OpenAPI document."""
    return Reply(body=json.dumps(current_app.config["OPENAPI"], ensure_ascii=False).encode())


_PAGE_HEADERS = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'"}


@routes.add(
    "GET",
    "/docs",
    summary="This description as a page",
    scopes=(),
    answers={200: "text/html"},
    description="One page without scripts; it works without the internet.",
)
def docs(_: Call) -> Reply:
    """Give the description as a page for people."""
    text = page(current_app.config["OPENAPI"])
    return Reply(body=text.encode(), media="text/html; charset=utf-8", headers=_PAGE_HEADERS)


@routes.add(
    "GET",
    "/problems/{kind}",
    summary="What a kind of problem means",
    scopes=(),
    answers={200: "text/html"},
)
def problem(call: Call) -> Reply:
    """Explain a kind of problem."""
    kind = call.path["kind"]
    known = kinds()
    if kind not in known:
        raise NotFound(f"There is no kind of problem called {kind}.")
    title, status = known[kind]
    text = problem_page(kind, title, status)
    return Reply(body=text.encode(), media="text/html; charset=utf-8", headers=_PAGE_HEADERS)
