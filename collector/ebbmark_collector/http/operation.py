"""How a route is declared: method, path, who may call, what goes in, what comes out, and its view.

A view takes a `Call`, calls one function and gives a `Reply`. It holds no SQL, no rule and no clock.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict
from werkzeug.datastructures import Headers

from ebbmark_collector.clock import Clock
from ebbmark_collector.errors import DocumentError
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store

M = TypeVar("M", bound=BaseModel)


class Scope(StrEnum):
    """What a token is for. An admin may do all that a viewer may."""

    AGENT = "agent"
    VIEWER = "viewer"
    ADMIN = "admin"


class Match(StrEnum):
    """Whether an operation looks at If-Match before it edits."""

    NO = "no"
    OFFERED = "offered"
    NEEDED = "needed"
    NEEDED_ONCE_THERE = "needed once there"  # what is not there yet is made without


class In(BaseModel):
    """A request body: strict about types, and a mistyped name is told, not ignored."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class Out(BaseModel):
    """A response body, or a part of one."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True, kw_only=True)
class Principal:
    """Who calls: the token it showed, and for an agent the host it speaks for."""

    token_id: str
    scope: Scope
    label: str
    host_id: str | None

    @property
    def who(self) -> str:
        """Give the caller as the audit log names it."""
        return f"{self.scope}:{self.label} ({self.token_id})"


@dataclass(frozen=True, kw_only=True)
class Services:
    """What the views work with; made once by whoever starts the collector."""

    store: Store
    clock: Clock
    settings: Settings


@dataclass(kw_only=True)
class Call:
    """One request, checked: path, query and body are what the declaration says."""

    services: Services
    principal: Principal | None
    path: Mapping[str, str]
    query: BaseModel | None
    body: BaseModel | None
    raw: bytes
    headers: Headers
    args: tuple[tuple[str, str], ...]
    address_path: str
    address: str
    now: datetime

    @property
    def store(self) -> Store:
        """Give the store."""
        return self.services.store

    @property
    def who(self) -> str:
        """Give the caller as the audit log names it."""
        return self.principal.who if self.principal else f"address:{self.address}"

    def query_as(self, model: type[M]) -> M:
        """Give the query as the model the operation declares."""
        assert isinstance(self.query, model)
        return self.query

    def body_as(self, model: type[M]) -> M:
        """Give the body as the model the operation declares."""
        assert isinstance(self.body, model)
        return self.body


@dataclass(frozen=True, kw_only=True)
class Reply:
    """What a view gives back.

    Attributes:
        body: A model, ready bytes, or parts that are sent as they are made; None for no content.
        revision: The revision of a resource that can be edited; it becomes part of the ETag.
    """

    body: BaseModel | bytes | Iterator[bytes] | None = None
    status: int = 200
    media: str = "application/json"
    headers: Mapping[str, str] = field(default_factory=dict)
    revision: int | None = None
    fields: tuple[str, ...] = ()


View = Callable[[Call], Reply]


@dataclass(frozen=True, kw_only=True)
class Operation:
    """A declared route.

    Attributes:
        scopes: Who may call; none means anybody.
        raw_body: The view reads the bytes itself; `body` then only documents them.
        answers: Status to model, or to media types joined by " or " for bodies that no model describes.
        action: Takes an Idempotency-Key.
        match: Whether it takes If-Match, or will not go without.
        problems: Statuses it may answer with beside those every operation of its kind may.
    """

    name: str
    method: str
    path: str
    view: View
    summary: str
    tag: str
    scopes: frozenset[Scope]
    query: type[BaseModel] | None
    body: type[BaseModel] | None
    raw_body: bool
    answers: Mapping[int, type[BaseModel] | str | None]
    action: bool
    match: Match
    problems: tuple[int, ...]
    description: str
    body_example: Any


class Routes:
    """A table of operations, filled by the modules of each resource."""

    def __init__(self, tag: str) -> None:
        self.tag = tag
        self.operations: list[Operation] = []

    def add(
        self,
        method: str,
        path: str,
        *,
        summary: str,
        scopes: Iterable[Scope] = (Scope.VIEWER, Scope.ADMIN),
        query: type[BaseModel] | None = None,
        body: type[BaseModel] | None = None,
        raw_body: bool = False,
        answers: Mapping[int, type[BaseModel] | str | None],
        action: bool = False,
        match: Match = Match.NO,
        problems: tuple[int, ...] = (),
        description: str = "",
        body_example: Any = None,
    ) -> Callable[[View], View]:
        """Declare the decorated view as the operation for a method and path."""

        def declare(view: View) -> View:
            self.operations.append(
                Operation(
                    name=view.__name__,
                    method=method,
                    path=path,
                    view=view,
                    summary=summary,
                    tag=self.tag,
                    scopes=frozenset(scopes),
                    query=query,
                    body=body,
                    raw_body=raw_body,
                    answers=answers,
                    action=action,
                    match=match,
                    problems=problems,
                    description=description,
                    body_example=body_example,
                )
            )
            return view

        return declare


def merge(body: BaseModel) -> dict[str, Any]:
    """Give the fields a caller really sent: an absent one stays as it is, a null one is emptied.

    Raises:
        DocumentError: When nothing was sent.
    """
    sent = {name: getattr(body, name) for name in body.model_fields_set}
    if not sent:
        raise DocumentError("Nothing to change was sent; name at least one field.")
    return sent
